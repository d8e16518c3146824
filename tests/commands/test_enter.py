"""Earlier checks at a station: by hand, by files in the watched folder, as a gate of a run; the manual's own demo."""

from __future__ import annotations

import dataclasses
import json
import os
import re
import shlex
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from eolseq.__main__ import main
from eolseq.bands.band import Outcome
from eolseq.clock import VirtualClock
from eolseq.commands.earlier import EarlierGate, read_folder
from eolseq.commands.manual import topic_text
from eolseq.errors import FileMistakes, Refused
from eolseq.records.audit import audit
from eolseq.records.log import Log
from eolseq.records.reader import Records
from eolseq.sequence.load import load_sequence
from eolseq.station.file import load_station
from tests.rig import ROOT, Rig

STATION = ROOT / "simulators/demo-station.yaml"
COIL = load_sequence(ROOT / "sequences/duct-heater-coil-6kw.yaml")
SERIAL = "DHC6-00000001"
EARLIER = "\n".join(re.findall(r"^```yaml\n(earlier:\n.*?)^```", topic_text("earlier-checks"), re.M | re.S))
LEAK = "SN;Verdict;Time;Rise\n"


@pytest.fixture
def station_file(tmp_path: Path) -> Path:
    """The demo station with the manual's folder of earlier checks."""
    path = tmp_path / "station.yaml"
    path.write_text(STATION.read_text(encoding="utf-8") + EARLIER, encoding="utf-8")
    (tmp_path / "arriving").mkdir()
    return path


class Hall:
    """A log in virtual time and the folder where files arrive."""

    def __init__(self, folder: Path, station_file: Path) -> None:
        self.folder = folder / "arriving"
        self.rules = dataclasses.replace(load_station(station_file).earlier, folder=str(self.folder))
        self.clock = VirtualClock()
        self.base = folder

    @contextmanager
    def log(self) -> Iterator[Log]:
        """The log, open."""
        with Log.open(self.base / "records", origin_name="aldervale.example/checks", role="simulated station",
                      key_path=self.base / "keys/k.pem", clock=self.clock) as log:
            yield log

    def arrive(self, name: str, text: str | bytes, age: float = 10.0) -> Path:
        """A file that was last written so many seconds ago."""
        path = self.folder / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        when = self.clock.now().timestamp() - age
        os.utime(path, (when, when))
        return path

    def row(self, verdict: str = "OK", serial: str = SERIAL, hours: float = 1.0, value: str = "0.9") -> str:
        """One row of the leak tester."""
        return f"{serial};{verdict};{(self.clock.now() - timedelta(hours=hours)).isoformat()};{value}\n"

    def checks(self, serial: str = SERIAL) -> list[dict[str, Any]]:
        """The earlier checks of a unit in the log."""
        return [dict(each.payload) for each in Records.open(self.base / "records").about(serial)]


@pytest.fixture
def hall(tmp_path: Path, station_file: Path) -> Hall:
    return Hall(tmp_path, station_file)


def test_a_file_is_read_once_and_each_row_is_a_signed_entry(hall: Hall) -> None:
    hall.arrive("leak-1.csv", LEAK + hall.row() + hall.row("NOK", "DHC6-00000002"))
    with hall.log() as log:
        taken = read_folder(hall.rules, log, hall.clock)
        assert (taken.files, taken.entered, taken.aside, taken.waiting) == (1, 2, [], [])
        hall.arrive("leak-again.csv", LEAK + hall.row() + hall.row("NOK", "DHC6-00000002"))
        assert read_folder(hall.rules, log, hall.clock).entered == 0, "the same bytes under another name"
    (entry,) = hall.checks()
    assert (entry["result"], entry["value"], entry["row"], entry["file"]) == ("pass", "0.9 mbar", 2, "leak-1.csv")
    assert entry["by"] == entry["source"] == "leak-tester-2" and len(entry["digest"]) == 64
    assert hall.checks("DHC6-00000002")[0]["result"] == "fail"
    assert not [each for each in hall.folder.iterdir() if each.is_file()]
    assert len(list((hall.folder / "done").iterdir())) == 2
    assert not audit(hall.base / "records/log.jsonl").findings


WAITS = {  # name: (file name, its end, seconds since it was written)
    "still written": ("leak-1.csv", "", 0.5), "half a line": ("leak-1.csv", "DHC6-0000", 60.0),
    "nobody's": ("other-1.csv", "", 60.0), "from the future": ("leak-1.csv", "", -60.0)}


@pytest.mark.parametrize(("name", "end", "age"), WAITS.values(), ids=WAITS.keys())
def test_a_file_that_is_not_whole_waits(hall: Hall, name: str, end: str, age: float) -> None:
    path = hall.arrive(name, LEAK + hall.row() + end, age)
    with hall.log() as log:
        taken = read_folder(hall.rules, log, hall.clock)
    assert (taken.files, taken.entered) == (0, 0) and name in taken.waiting[0] and path.exists()


def test_a_link_in_the_folder_is_not_followed(hall: Hall) -> None:
    (hall.base / "elsewhere").write_text(LEAK + hall.row())
    (hall.folder / "leak-1.csv").symlink_to(hall.base / "elsewhere")
    with hall.log() as log, pytest.raises(Refused, match=r"leak-1\.csv"):
        read_folder(hall.rules, log, hall.clock)


def test_a_bad_row_is_kept_told_and_speaks_against_its_unit(hall: Hall) -> None:
    hall.arrive("leak-1.csv", LEAK + hall.row(hours=2) + hall.row("perhaps") + ";OK;x;\n")
    with hall.log() as log:
        taken = read_folder(hall.rules, log, hall.clock)
    assert [each.split(": ")[0] for each in taken.aside] == ["leak-1.csv:3", "leak-1.csv:4"]
    kept = [json.loads(line) for path in (hall.folder / "set-aside").iterdir() for line in path.read_text().splitlines()]
    assert [each["line"] for each in kept] == [3, 4] and "perhaps" in kept[0]["text"]
    assert [each["stated"] for each in hall.checks()] == ["pass", "unclear"]
    assert hall.checks()[-1]["result"] == "fail"


@pytest.mark.parametrize("after", range(4))
def test_a_crash_between_rows_and_the_move_enters_nothing_twice(hall: Hall, after: int) -> None:
    hall.arrive("leak-1.csv", LEAK + "".join(hall.row(serial=f"DHC6-0000000{n}") for n in range(4)))

    class Died(Exception):
        """The program dies here."""

    with hall.log() as log, pytest.raises(Died):
        append = log.append
        left = [after]

        def dying(entry: Any, durable: bool = True) -> int:
            if not left[0]:
                raise Died
            left[0] -= 1
            return append(entry, durable)

        log.append = dying  # type: ignore[method-assign]
        read_folder(hall.rules, log, hall.clock)
    with hall.log() as log:
        assert read_folder(hall.rules, log, hall.clock).entered == 4 - after
    assert [len(hall.checks(f"DHC6-0000000{n}")) for n in range(4)] == [1] * 4


# -- the gate ---------------------------------------------------------------------------------------------------


def test_a_run_is_refused_without_its_checks_and_names_those_it_rests_on(quick_path: Path, station_file: Path) -> None:
    with Rig(quick_path, serial=SERIAL, sequence=COIL) as rig:
        folder = station_file.parent / "arriving"
        rules = dataclasses.replace(load_station(station_file).earlier, folder=str(folder))
        rig.gates = [EarlierGate(COIL, rules, rig.log, rig.clock)]
        refused = rig.run()
        assert refused.outcome is Outcome.REFUSED and refused.index is None
        assert all(each.check in refused.sentence and each.where in refused.sentence for each in COIL.needs)
        assert not any(change.get("output") == "on" for change in rig.world.changes)
        made = (rig.clock.now() - timedelta(hours=1)).isoformat()
        said = [{"serial": SERIAL, "check": "wiring-inspection", "result": "pass", "at": made}]
        files = {"x.jsonl": "".join(json.dumps(each) + "\n" for each in said), "leak-1.csv": f"{LEAK}{SERIAL};OK;{made};0.001\n"}
        for name, text in files.items():
            (folder / name).write_text(text)
            os.utime(folder / name, (rig.clock.now().timestamp() - 9,) * 2)
        from eolseq.commands.enter import entered
        from eolseq.line.earlier_checks import Told
        from eolseq.quantity import parse

        told = Told(SERIAL, "pressure-hold", "pass", rig.clock.now(), parse("30.1 bar"))
        held = rig.log.size
        entered(rig.log, told, None, "op-07")
        rig.world.load(SERIAL)
        assert rig.run().outcome is Outcome.PASS
        records = Records.open(Path(rig.station.records))
    begin = next(entry for _, entry in records.payloads(frozenset({"begin"})))
    kinds = [records.entry(index).payload for index in begin["earlier_checks"]]
    assert [each["check"] for each in kinds] == [each.check for each in COIL.needs] and held in begin["earlier_checks"]
    assert {each["serial"] for each in kinds} == {SERIAL}


def test_reference_units_need_no_earlier_check(hall: Hall) -> None:
    with hall.log() as log:
        assert EarlierGate(COIL, hall.rules, log, hall.clock)("REFERENCE-good") == ()


# -- the command ------------------------------------------------------------------------------------------------


def test_the_demo_of_the_manual(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    blocks = re.findall(r"^```sh\n(.*?)^```", topic_text("earlier-checks"), re.M | re.S)
    commands = [shlex.split(line)[1:] for block in blocks for line in block.splitlines()]
    assert [each[0] for each in commands] == ["enter", "enter", "enter", "run"]
    for command in commands[:-1]:
        assert main(command) == 0
    assert "pass, 30.2 bar (SIMULATED)" in capsys.readouterr().out
    with Log.open(tmp_path / "records", origin_name="aldervale.example/demo-bench", role="simulated station",
                  key_path=tmp_path / "keys/demo-station.pem", clock=VirtualClock()) as log:
        gate = EarlierGate(COIL, load_station(STATION).earlier, log, _Now())
        assert len(gate(SERIAL)) == 3


class _Now:
    """The clock that the commands went by."""

    def now(self) -> Any:
        """Now."""
        from eolseq.clock import SystemClock

        return SystemClock().now()


WRONG = {  # name: (arguments, exit code, words)
    "no result": (["wiring-inspection", SERIAL, "--by", "op-07"], 2, "--result"),
    "no check": (["--result", "pass"], 2, "are needed"),
    "a name": (["wiring-inspection", SERIAL, "--result", "pass", "--by", "Jane"], 2, "pseudonym"),
    "nobody": (["wiring-inspection", SERIAL, "--result", "pass"], 2, "Who did it"),
    "a check in capitals": (["Wiring", SERIAL, "--result", "pass", "--by", "op-07"], 2, "no name of a check"),
    "a value without a unit": (["x", SERIAL, "--result", "pass", "--by", "op-07", "--value", "12"], 2, "unit"),
    "a time to come": (["x", SERIAL, "--result", "pass", "--by", "op-07", "--made", "2199-01-01"], 2, "not come"),
    "no serial": (["x", "; rm", "--result", "pass", "--by", "op-07"], 2, "no serial"),
    "another sequence's unit": (["pressure-hold", "DH6-00000001", "--result", "pass", "--by", "op-07", "--sequence",
                                 "sequences/duct-heater-coil-6kw.yaml"], 3, "does not belong"),
    "a check that is not needed": (["paint", SERIAL, "--result", "pass", "--by", "op-07", "--sequence",
                                    "sequences/duct-heater-coil-6kw.yaml"], 3, "needs no check"),
    "a folder that is not named": (["--folder"], 2, "names no folder"),
    "a folder and a result": (["x", SERIAL, "--result", "pass", "--folder"], 2, "nothing else"),
}


@pytest.mark.parametrize(("arguments", "code", "words"), WRONG.values(), ids=WRONG.keys())
def test_what_may_not_be_entered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
                                 arguments: list[str], code: int, words: str) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["enter", *arguments, "--station", "simulators/demo-station.yaml"]) == code
    assert words in capsys.readouterr().err
    assert not (tmp_path / "records/log.jsonl").exists()


def test_a_pass_outside_the_band_of_the_sequence_is_a_fail(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                           capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["enter", "pressure-hold", SERIAL, "--result", "pass", "--value", "29.4 bar", "--by", "op-07",
                 "--sequence", "sequences/duct-heater-coil-6kw.yaml", "--station", "simulators/demo-station.yaml"]) == 0
    shown = capsys.readouterr().out
    assert "entered as a FAIL" in shown and "lies outside 29.5 bar to 31 bar" in shown


def test_the_folder_by_command(station_file: Path, monkeypatch: pytest.MonkeyPatch,
                               capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(station_file.parent)
    path = station_file.parent / "arriving/leak-1.csv"
    path.write_text(f"{LEAK}{SERIAL};OK;2026-01-05T06:00:00Z;0.1\n{SERIAL};?;2026-01-05T06:00:00Z;0.1\n")
    os.utime(path, (1.7e9, 1.7e9))
    assert main(["enter", "--folder", "--station", str(station_file)]) == 1
    assert "1 file read, 2 results entered, 1 row set aside" in capsys.readouterr().out
    assert main(["enter", "--folder", "--station", str(station_file)]) == 0


BAD_STATIONS = {
    "a folder alone": (EARLIER.split("  equipment")[0], "belong together"),
    "in the records": (EARLIER.replace("folder: arriving", "folder: records/arriving"), "records folder"),
    "a word for both": (EARLIER.replace("[NOK, ABORT]", "[OK]"), "means pass and fail"),
    "which check": (EARLIER.replace("      check: tracer-gas-leak\n", ""), "must be said once"),
    "a way out of the folder": (EARLIER.replace("leak-*.csv", "../*.csv"), "files"),
    "a unit nobody knows": (EARLIER.replace("unit: mbar", "unit: torr"), "torr"),
    "no time": (EARLIER.replace(", made: Time", ""), "made"),
}


@pytest.mark.parametrize(("text", "words"), BAD_STATIONS.values(), ids=BAD_STATIONS.keys())
def test_bad_station_files(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "station.yaml"
    path.write_text(STATION.read_text(encoding="utf-8") + text, encoding="utf-8")
    with pytest.raises(FileMistakes) as found:
        load_station(path)
    assert words in str(found.value)
