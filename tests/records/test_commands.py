"""``eolseq records`` and ``eolseq audit`` as a person or a program uses them."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from types import ModuleType

import pytest

from eolseq.commands import audit, records
from eolseq.errors import RecordFault, WrongUse
from eolseq.records import entries
from tests.records.samples import ORIGIN, begin, every_kind, open_log, whole_run


def run(module: ModuleType, *words: str) -> int:
    parser = argparse.ArgumentParser(prog=module.NAME, description=module.HELP)
    module.arguments(parser)
    code = module.run(parser.parse_args(words))
    assert isinstance(code, int)
    return code


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A working folder with a log of two runs on one unit, and one cut off on another."""
    monkeypatch.chdir(tmp_path)
    with open_log(tmp_path) as log:
        whole_run(log, outcome="fail")
        whole_run(log)
        cut = log.append(begin(log, "DH6-00000002"))
        log.append(entries.Abandon(run=cut, serial="DH6-00000002", reason="The program ended.", energised="no"))
        log.append(begin(log, "DH6-00000003"))
        log.checkpoint()
    return tmp_path


def test_all_runs_are_listed(station: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(records) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0] == f"log records/log.jsonl, 12 entries, of {ORIGIN} (SIMULATED)"
    assert [line.split()[2:6] for line in said[3:]] == [
        ["DH6-00000001", "1", "fail", "4"], ["DH6-00000001", "2", "pass", "8"],
        ["DH6-00000002", "1", "abandoned", "10"], ["DH6-00000003", "1", "open", "11"]]
    assert all("simulated" in line for line in said[3:])


def test_one_unit_is_shown_with_its_readings(station: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(records, "DH6-00000001") == 0
    said = capsys.readouterr().out
    assert "last run: SIMULATED PASS. As wanted." in said
    assert "current: 0.000420 A, pass (at least 0.00005 A, at most 0.00500 A)" in said
    assert "applied voltage: 1775 V to 1777 V, 11 samples (at least 1758 V, at most 1794 V)" in said
    assert said.count("DH6-00000001") == 3  # its two runs, and where it stands now
    assert run(records, "DH6-00000002") == 0
    assert "last run: SIMULATED ABANDONED. The program ended." in capsys.readouterr().out
    assert run(records, "DH6-00000003") == 0
    assert "last run: OPEN." in capsys.readouterr().out


def test_a_station_file_names_the_records(station: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from eolseq.station.file import load_station

    shipped = Path(__file__).parents[2] / "simulators" / "demo-station.yaml"
    (station / "records").rename(station / "elsewhere")
    text = shipped.read_text("utf-8")
    own = station / "bench.yaml"
    own.write_text(text.replace(f"records: {load_station(shipped).records}\n", "records: elsewhere\n"), "utf-8")
    assert run(records, "--station", str(own)) == 0
    assert "log elsewhere/log.jsonl" in capsys.readouterr().out
    with pytest.raises(WrongUse, match="not there"):
        run(records, "--station", "nowhere.yaml")


def test_json_is_one_document(station: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(records, "--json") == 0
    listed = json.loads(capsys.readouterr().out)
    assert [(each["serial"], each["attempt"], each["outcome"]) for each in listed["runs"]] == [
        ("DH6-00000001", 1, "fail"), ("DH6-00000001", 2, "pass"), ("DH6-00000002", 1, "abandoned"),
        ("DH6-00000003", 1, "open")]
    assert run(records, "DH6-00000001", "--json") == 0
    shown = json.loads(capsys.readouterr().out)
    assert shown["simulated"] is True and shown["serial"] == "DH6-00000001"
    assert shown["last"]["steps"][0]["readings"][0]["value"] == "0.000420"
    assert shown["last"]["earlier"][0]["outcome"] == "fail"
    assert run(audit, "records", "--json") == 0
    captured = capsys.readouterr()
    assert json.loads(captured.out)["in_order"] is True and "IN ORDER" in captured.err


def test_an_audit_in_order_and_one_with_findings(station: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(audit, "records/log.jsonl") == 0
    said = capsys.readouterr().out
    assert "12 lines, 12 verified; runs ended: 1 abandoned, 1 fail, 1 pass" in said
    assert "note: line 12 (entry 11): open run." in said
    log = station / "records" / "log.jsonl"
    lines = log.read_bytes().splitlines(keepends=True)
    log.write_bytes(b"".join(lines[:4] + lines[5:]))
    assert run(audit, "records") == 1
    said = capsys.readouterr().out
    assert "FINDING: line 5 (entry 5): wrong place." in said
    assert "NOT IN ORDER" in said and "IN ORDER: every" not in said


def test_what_a_log_holds_cannot_reach_the_terminal_raw(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                        capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    with open_log(tmp_path) as log:
        log.append(begin(log, "\x1b[2J\u202e\n"))
        log.checkpoint()
    assert run(audit, "records") == run(records) == 0
    said = capsys.readouterr().out
    assert "\x1b" not in said and "\u202e" not in said and "\\x1b[2J\\u202e\\n" in said


@pytest.mark.parametrize(("words", "reason"), [(("DH6-00000009",), "holds no run on unit"), ((), "There is no log")])
def test_asking_for_what_is_not_there(station: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...],
                                      reason: str) -> None:
    if not words:
        monkeypatch.chdir(station / "keys")
    with pytest.raises(WrongUse, match=reason) as caught:
        run(records, *words)
    assert caught.value.exit_code == 2


def test_an_audit_of_nothing_is_wrong_use(station: Path) -> None:
    with pytest.raises(WrongUse, match="cannot be read"):
        run(audit, "nowhere.jsonl")


def test_records_of_a_log_with_a_torn_end_are_shown_with_a_note(station: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with (station / "records" / "log.jsonl").open("ab") as stream:
        stream.write(b"half a line")
    assert run(records) == 0
    assert "ends in 11 bytes" in capsys.readouterr().err
    assert run(audit, "records") == 1
    assert "torn line" in capsys.readouterr().out
    open_log(station).close()
    assert run(audit, "records") == 0
    assert "scar" in capsys.readouterr().out


def test_records_of_a_damaged_log_are_not_shown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    with open_log(tmp_path) as log:
        every_kind(log)
        log.checkpoint()
    log.path.write_bytes(log.path.read_bytes().replace(b"A", b"B", 1))
    with pytest.raises(RecordFault):
        run(records)
