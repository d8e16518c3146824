"""``eolseq approve`` as people use it, and the gate that a real station has."""

from __future__ import annotations

import dataclasses
import re
import shutil
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands.approving import ApprovalGate
from eolseq.commands.run import document, exit_code
from eolseq.engine.events import RunBegins, RunEnds
from eolseq.records.reader import Records
from eolseq.sequence.load import load_sequence
from eolseq.station.file import load_station
from tests.commands.test_keys import enrol, make, with_passphrase
from tests.rig import ROOT, Rig

SEQUENCE = "earth.yaml"
EARTH = """format: 1
kind: sequence
name: Earth path only
version: "1"
unit:
  models: [DH-6]
  serial_pattern: DH6-[0-9]{8}
  protection_class: I
  rated: {voltage: 240 V, frequency: 60 Hz}
  metal_parts: [front-panel]
steps:
  - kind: ground_continuity
    name: Earth path
    points: [front-panel]
    wires: four
    current: 25 A
    rise: 0.1 s
    hold: 0.4 s
    open_volts: 12 V
    band: {at_least: 2 mohm, at_most: 0.1 ohm, basis: "common practice, no source"}
    applied:
      current: {at_least: 24 A, at_most: 26 A}
    connections: {return: earth}
"""


def approve(*words: str, by: str | None = "e-1", station: str = "bench.yaml") -> int:
    place = ("--station", station) if station else ()
    key = ("--key", f"keys/{by}.pem") if by else ()
    return with_passphrase("approve", *words, *place, *key, "--yes", passphrase=b"a passphrase for the tests" if by else None)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder with its own copies of the demo's files and three people enrolled."""
    monkeypatch.chdir(tmp_path)
    shutil.copy(ROOT / "simulators/demo-station.yaml", "bench.yaml")
    Path(SEQUENCE).write_text(EARTH, "utf-8")
    shutil.copytree(ROOT / "drivers", "drivers")
    make("q-1", "e-1", "e-2", "m-1")
    assert enrol("q-1", "e-1", "e-2", "m-1") == 0
    return tmp_path


def changed(old: str, new: str, path: str = SEQUENCE) -> int:
    """Change one line of a file; its number."""
    text = Path(path).read_text("utf-8")
    assert text.count(old) == 1
    Path(path).write_text(text.replace(old, new), "utf-8")
    return text[:text.index(old)].count("\n") + 1


FIRST = (SEQUENCE, "--author", "e-2", "--reason", "first issue")


def test_old_and_new_limits_stand_side_by_side(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert approve(*FIRST) == 0
    said = capsys.readouterr().out
    assert "never approved before; author e-2" in said and "approved in entry 2, signed by e-1 (engineer" in said
    line = changed("at_most: 0.1 ohm", "at_most: 0.2 ohm")
    assert approve(SEQUENCE, "--author", "e-2", "--reason", "wider") == 0
    said = capsys.readouterr().out
    assert re.search(r"^  \* resistance front-panel +2 mohm to 0.1 ohm +2 mohm to 0.2 ohm$", said, re.M)
    assert re.search(rf"^  - line {line}: .*at_most: 0.1 ohm", said, re.M)
    assert re.search(rf"^  \+ line {line}: .*at_most: 0.2 ohm", said, re.M)
    assert sum(row.startswith("  *") for row in said.splitlines()) == 1


def test_what_is_printed_before_it_is_asked_is_complete(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Without --yes and without a terminal nothing is signed, and all limits were printed all the same."""
    whole = "sequences/duct-heater-6kw.yaml"
    assert with_passphrase("approve", whole, *FIRST[1:], "--station", "bench.yaml", "--key", "keys/e-1.pem") == 2
    captured = capsys.readouterr()
    assert "add --yes" in captured.err
    bands = [str(band) for step in load_sequence(ROOT / whole).steps for _, band in step.bands()]
    assert len(bands) >= 15 and all(band in captured.out for band in bands)
    assert Records.open(Path("records")).size == 2


WRONG: dict[str, tuple[tuple[str, ...], str | None, int, str]] = {
    "its own author": ((SEQUENCE, "--author", "e-1", "--reason", "x"), "e-1", 3, "is the author and cannot approve"),
    "maintenance": (FIRST, "m-1", 3, "is a maintenance's; this needs engineer"),
    "quality": (FIRST, "q-1", 3, "is a quality's"),
    "no author": ((SEQUENCE, "--reason", "x"), "e-1", 2, "author named"),
    "no reason": ((SEQUENCE, "--author", "e-2"), "e-1", 2, "needs a reason"),
    "nobody": (FIRST, None, 2, "Who signs?"),
    "a driver page without a countersignature": (("drivers/wt-5.yaml", "--reason", "x"), "m-1", 2, "maintenance and of eng"),
    "a simulator": (("sim.yaml", "--author", "e-2", "--reason", "x"), "e-1", 2, "needs no approval"),
    "nothing": ((), "e-1", 2, "Name the files to approve"),
    "a file with a mistake": (("bad.yaml", "--author", "e-2", "--reason", "x"), "e-1", 2, "unknown key"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_use_is_said_and_approves_nothing(here: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    words, by, code, reason = WRONG[name]
    shutil.copy(ROOT / "simulators/demo-simulator.yaml", "sim.yaml")
    Path("bad.yaml").write_text("bogus: 1\n" + Path(SEQUENCE).read_text("utf-8"), "utf-8")
    assert approve(*words, by=by) == code
    assert reason in capsys.readouterr().err
    assert Records.open(Path("records")).size == 2


def test_pages_are_signed_on_one_computer_and_countersigned_on_another(here: Path, tmp_path: Path,
                                                                       capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copytree("records", "copy")
    assert approve("drivers/wt-5.yaml", "drivers/ps-9.yaml", "--records", "copy", "--out", "half", "--reason", "new page",
                   by="m-1", station="") == 0
    half = sorted(str(path) for path in Path("half").iterdir())
    assert len(half) == 2
    assert approve("--document", *half, by=None) == 3
    assert "signature of engineer is missing" in capsys.readouterr().err
    assert approve("--document", *half, by="m-1") == 2  # the same person again
    assert approve("--document", *half, by="q-1") == 3
    assert Records.open(Path("records")).size == 2
    assert approve("--document", *half, by="e-1") == 0
    assert approve("--document", *half, by="e-1") == 3
    assert "an older one cannot come back" in capsys.readouterr().err
    assert Records.open(Path("records")).size == 4


def test_of_several_documents_all_are_written_or_none(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A document that may not follow the one before it in the same command leaves the log as it was."""
    assert approve(*FIRST, "--out", "signed") == 0
    one = str(next(Path("signed").iterdir()))
    for words in (("--document", one, one), (SEQUENCE, *FIRST)):
        assert approve(*words, by=None if words[0] == "--document" else "e-1") == 3
        assert "an older one cannot come back" in capsys.readouterr().err
        assert Records.open(Path("records")).size == 2
    assert approve("--document", one, by=None) == 0
    assert len(Records.open(Path("records")).documents) == 3


# -- the gate of a real station ---------------------------------------------------------------------------------


def real(path: str = "bench.yaml") -> Any:
    """The bench as a real station: it names no simulator, whatever its instruments say of themselves."""
    return dataclasses.replace(load_station(Path(path)), simulated="")


def pages(folder: str = "drivers") -> dict[str, Any]:
    from eolseq.instruments.page import load_page

    return {each.name: load_page(Path(folder) / Path(each.page).name) for each in load_station(Path("bench.yaml")).instruments}


def sign_everything() -> None:
    """Maintenance signs station file and pages, an engineer countersigns."""
    files = ["bench.yaml", *sorted(str(path) for path in Path("drivers").glob("*.yaml"))]
    assert approve(*files, "--out", "half", "--reason", "first set-up", by="m-1") == 0
    assert approve("--document", *sorted(str(path) for path in Path("half").iterdir()), by="e-1") == 0


def gate(*, trial: bool = False, station: Any = None) -> ApprovalGate:
    found = Records.open(Path("records"))
    log: Any = found  # the gate needs the documents alone
    return ApprovalGate(load_sequence(Path(SEQUENCE)), station or real(), pages(), log, date(2100, 1, 1), trial=trial)


def refusal(found: ApprovalGate) -> str:
    from eolseq.errors import Refused

    with pytest.raises(Refused) as caught:
        found("DH6-00000001")
    assert found.index is None and caught.value.exit_code == 3
    return str(caught.value)


def test_a_real_station_tests_only_what_is_approved(here: Path) -> None:
    assert "The station file of Aldervale demo bench (bench.yaml) is not approved" in refusal(gate())
    assert "See maintenance, and an engineer" in refusal(gate(trial=True))
    sign_everything()
    assert "'Earth path only' (earth.yaml) is not approved" in refusal(gate())
    gate(trial=True)("DH6-00000001")
    assert approve(*FIRST) == 0
    passed = gate()
    passed("DH6-00000001")
    assert passed.index == Records.open(Path("records")).size - 1


def test_a_changed_line_is_named_whichever_file_it_is_in(here: Path) -> None:
    sign_everything()
    assert approve(*FIRST) == 0
    gate()("DH6-00000001")
    line = changed("at_most: 0.1 ohm", "at_most: 0.2 ohm")
    assert f"{SEQUENCE}:{line}: is not as it was approved" in refusal(gate())
    gate(trial=True)("DH6-00000001")
    line = changed("volts: 2000 V", "volts: 5000 V", "bench.yaml")
    assert f"bench.yaml:{line}: is not as it was approved" in refusal(gate(trial=True))
    changed("volts: 5000 V", "volts: 2000 V", "bench.yaml")
    gate(trial=True)("DH6-00000001")
    line = changed("stop: OUTP OFF", "stop: OUTP ON", "drivers/wt-5.yaml")
    assert f"drivers/wt-5.yaml:{line}: is not as it was approved" in refusal(gate(trial=True))


def test_a_simulated_station_needs_no_approval(here: Path) -> None:
    found = gate(station=load_station(Path("bench.yaml")))
    found("DH6-00000001")
    assert found.index is None


# -- what a run says of it --------------------------------------------------------------------------------------


@pytest.fixture
def whole(quick_path: Path) -> Any:
    with Rig(quick_path) as rig:
        yield rig


def entries_of(rig: Rig, kind: str) -> list[dict[str, Any]]:
    found = Records.open(rig.log.path.parent)
    return [each.payload for each in found.entries() if each.payload["kind"] == kind]


def test_a_trial_says_so_everywhere_and_releases_nothing(whole: Rig) -> None:
    whole.trial = True
    result = whole.run()
    assert (result.outcome, result.trial, result.released) == (Outcome.PASS, True, False)
    assert exit_code(result) == 1 and document(result, "log")["trial"] is True
    assert "NOT released" in result.sentence
    assert [each["trial"] for kind in ("begin", "end") for each in entries_of(whole, kind)] == ["yes", "yes"]
    assert [each.trial for each in whole.events if isinstance(each, RunBegins)] == [True]
    assert ["NOT released" in each.sentence for each in whole.events if isinstance(each, RunEnds)] == [True]


def test_begin_and_end_carry_the_approvals_index(whole: Rig) -> None:
    whole.approval = 7
    result = whole.run()
    assert result.released and exit_code(result) == 0
    assert [each["approval"] for kind in ("begin", "end") for each in entries_of(whole, kind)] == [7, 7]
    assert [each["trial"] for kind in ("begin", "end") for each in entries_of(whole, kind)] == ["no", "no"]


def test_a_refused_gate_energises_nothing_and_is_remarked(whole: Rig, here: Path) -> None:
    whole.gates = [gate()]
    result = whole.run()
    assert (result.outcome, exit_code(result), result.index) == (Outcome.REFUSED, 3, None)
    assert entries_of(whole, "energise") == [] and entries_of(whole, "begin") == []
    assert ["is not approved" in each["reason"] for each in entries_of(whole, "remark")] == [True]
