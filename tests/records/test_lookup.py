"""Looking runs up, the index that can be lost, and suspects: held against a plain walk over the log."""

from __future__ import annotations

import argparse
import json
import sqlite3
from dataclasses import replace
from pathlib import Path
from tempfile import mkdtemp
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from eolseq.commands import records as records_command
from eolseq.commands import suspects as suspects_command
from eolseq.errors import RecordFault, WrongUse
from eolseq.records import entries
from eolseq.records.index import INDEX_NAME, STAMP_NAME, RunIndex
from eolseq.records.instruments import suspects
from eolseq.records.log import Log
from eolseq.records.reader import Records
from tests.records.samples import begin, end, energise, open_log, reading, whole_run

OLD = entries.InstrumentNamed("wt", "WT-5", "1001")
NEW = entries.InstrumentNamed("wt", "WT-5", "1002")
OTHER = entries.InstrumentNamed("ct", "CT-3", "1001")  # another model with the same number


def used(log: Log, serial: str, instrument: entries.InstrumentNamed, how: str = "end") -> int:
    """A run that uses one instrument as far as told: begun, energised, read, ended or abandoned; its begin's index."""
    run = log.append(replace(begin(log, serial), instruments=(instrument,)))
    by = entries.InstrumentUsed(instrument.name, instrument.model, instrument.serial)
    if how != "begun":
        log.append(replace(energise(run), source=instrument.name))
    if how in ("read", "end"):
        log.append(replace(reading(run), instrument=by))
    if how == "end":
        log.append(end(log, run, serial))
    if how == "abandoned":
        log.append(entries.Abandon(run=run, serial=serial, reason="The program ended.", energised="yes"))
    return run


def verified(log: Log, instrument: entries.InstrumentNamed, outcome: str = "pass") -> int:
    return log.append(entries.Verification(instrument=instrument, outcome=outcome, sentence="Held against 1 ohm."))


def found(base: Path) -> Records:
    return Records.open(base / "records")


def units(base: Path, name: str, until: int | None = None) -> dict[str, list[str]]:
    return {f"{each.instrument.model} {each.instrument.serial}": each.units for each in suspects(found(base), name, until)}


def test_suspects_are_exactly_those_tested_since_the_last_good_verification(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        used(log, "A", OLD)
        good = verified(log, OLD)
        used(log, "B", OLD)
        used(log, "C", OLD, "abandoned")
        used(log, "D", OLD, "energised")
        used(log, "E", OLD, "begun")  # never touched it
        used(log, "F", OTHER)
        verified(log, OTHER)  # clears only the other model
        failed = verified(log, OLD, "fail")
        used(log, "B", OLD)
        used(log, "G", NEW)  # another instrument under the same name
        log.checkpoint()
    assert units(tmp_path, "wt") == {"WT-5 1001": ["B", "C", "D"], "WT-5 1002": ["G"]}
    assert units(tmp_path, "1001") == {"WT-5 1001": ["B", "C", "D"], "CT-3 1001": []}
    assert units(tmp_path, "1002") == {"WT-5 1002": ["G"]}
    assert units(tmp_path, "1001", until=good - 1) == {"WT-5 1001": ["A"]}
    assert units(tmp_path, "wt", until=failed) == {"WT-5 1001": ["B", "C", "D"]}
    listed = suspects(found(tmp_path), "1001")[0]
    assert listed.since == good
    assert [(run.serial, run.attempt, run.outcome) for run in listed.runs.values()] == [
        ("B", 1, "pass"), ("C", 1, "abandoned"), ("D", 1, "open"), ("B", 2, "pass")]
    with pytest.raises(WrongUse, match="names an instrument"):
        suspects(found(tmp_path), "4711")


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(st.sampled_from(["end", "abandoned", "energised", "begun", "good", "bad"]),
                          st.sampled_from([OLD, NEW, OTHER]), st.sampled_from("ABC")), max_size=12))
def test_suspects_on_any_log_are_what_a_plain_walk_finds(tmp_path: Path, story: list[tuple[str, Any, str]]) -> None:
    base = Path(mkdtemp(dir=tmp_path))
    expected: dict[Any, list[str]] = {}
    with open_log(base) as log:
        for what, instrument, serial in story:
            if what in ("good", "bad"):
                verified(log, instrument, "pass" if what == "good" else "fail")
                listed = expected.setdefault(instrument, [])
                if what == "good":
                    listed.clear()
            else:
                used(log, serial, instrument, what)
                if what != "begun" and serial not in expected.setdefault(instrument, []):
                    expected[instrument].append(serial)
        log.checkpoint()
    for name, own in (("wt", [OLD, NEW]), ("ct", [OTHER])):
        wanted = {f"{each.model} {each.serial}": expected[each] for each in own if each in expected}
        assert (units(base, name) if wanted else {}) == wanted


def test_the_command_lists_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    with open_log(tmp_path) as log:
        verified(log, OLD)
        used(log, "B", OLD, "abandoned")
        log.checkpoint()
    assert command(suspects_command, "1001") == 0
    said = capsys.readouterr().out
    assert "(SIMULATED)" in said and "wt (WT-5 1001): last verified as good in entry 1; 1 unit tested on it since" in said
    assert "B " in said and "abandoned" in said
    assert command(suspects_command, "1001", "--json", "--until", "2") == 0
    assert json.loads(capsys.readouterr().out)["instruments"] == [
        {"name": "wt", "model": "WT-5", "serial": "1001", "since": 1, "units": [], "runs": []}]


def command(module: Any, *words: str) -> int:
    parser = argparse.ArgumentParser()
    module.arguments(parser)
    code: int = module.run(parser.parse_args(words))
    return code


@pytest.fixture
def station(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    with open_log(tmp_path) as log:
        whole_run(log, "A", "fail")
        whole_run(log, "A")
        used(log, "B", OTHER, "abandoned")
        used(log, "C", NEW, "energised")
        log.checkpoint()
    return tmp_path


ASKED = {
    ("--outcome", "fail"): [1], ("--outcome", "pass"): [5], ("--outcome", "abandoned"): [9], ("--outcome", "open"): [12],
    ("--instrument", "wt"): [1, 5, 12], ("--instrument", "1001"): [1, 5, 9], ("--instrument", "ct"): [9],
    ("--instrument", "1002"): [12], ("--sequence", "duct heater 6 kW"): [1, 5, 9, 12], ("--sequence", "another"): [],
    ("--since", "2026-01-05"): [1, 5, 9, 12], ("--since", "2026-01-06"): [], ("--until", "2026-01-05"): [1, 5, 9, 12],
    ("--until", "2026-01-04"): [], ("--until", "2026"): [1, 5, 9, 12], ("A", "--outcome", "pass"): [5],
    ("--outcome", "fail", "--instrument", "1001", "--since", "2026-01"): [1],
    ("--sequence", "' OR 1=1 --"): [],
}


@pytest.mark.parametrize("words", ASKED, ids=" ".join)
def test_runs_are_looked_up(station: Path, capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    assert command(records_command, *words, "--json") == 0
    assert [run["run"] for run in json.loads(capsys.readouterr().out)["runs"]] == ASKED[words]
    assert len(ASKED) == 18


def test_a_unit_without_a_run_that_fits_is_wrong_use_and_so_is_no_date(station: Path) -> None:
    with pytest.raises(WrongUse, match="holds no run on unit B that fits"):
        command(records_command, "B", "--outcome", "pass")
    with pytest.raises(SystemExit):
        command(records_command, "--since", "yesterday")


def test_a_passing_retest_does_not_hide_the_failure_before_it(station: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert command(records_command, "--outcome", "pass") == 0
    assert "after 1 fail" in capsys.readouterr().out
    assert command(records_command, "A") == 0
    said = capsys.readouterr().out
    assert "after 1 fail" in said and "withstand voltage was put on this unit 2 times, in 2 attempts" in said


def told(base: Path, **asked: Any) -> tuple[list[int], list[str]]:
    said: list[str] = []
    index = RunIndex.open(found(base), said.append, **asked)
    runs = index.find(instrument="1001")
    index.close()
    return runs, said


def test_the_index_is_made_once_and_then_only_added_to(station: Path) -> None:
    assert told(station)[1] == ["The index is missing; it was made anew from the log, and nothing is lost."]
    written = (station / "records" / INDEX_NAME).stat().st_mtime_ns
    assert told(station) == ([1, 5, 9], [])
    assert (station / "records" / INDEX_NAME).stat().st_mtime_ns == written
    with open_log(station) as log:
        open_run = log.open_runs()[0].index
        log.append(replace(energise(open_run), source="wt"))
        log.append(entries.Abandon(run=open_run, serial="C", reason="x", energised="yes"))
        whole_run(log, "Z")
        log.checkpoint()
    assert told(station) == ([1, 5, 9, 16], [])
    grown = sqlite3.connect(station / "records" / INDEX_NAME)
    rows = grown.execute("SELECT * FROM runs").fetchall(), grown.execute("SELECT * FROM used ORDER BY run").fetchall()
    grown.close()
    assert told(station, anew=True) == ([1, 5, 9, 16], [])
    anew = sqlite3.connect(station / "records" / INDEX_NAME)
    assert (anew.execute("SELECT * FROM runs").fetchall(), anew.execute("SELECT * FROM used ORDER BY run").fetchall()) == rows
    anew.close()


def test_an_index_lost_or_hurt_in_any_byte_is_noticed_and_loses_nothing(station: Path) -> None:
    good, _ = told(station)
    folder = station / "records"
    files = {name: (folder / name).read_bytes() for name in (INDEX_NAME, STAMP_NAME)}
    cases: list[tuple[str, bytes | None]] = [(name, None) for name in files]
    for name, data in files.items():
        places = range(0, len(data), max(1, len(data) // 60))
        cases += [(name, data[:place] + bytes([data[place] ^ 1]) + data[place + 1:]) for place in places]
        cases += [(name, data[:len(data) // 2]), (name, b""), (name, data + b"0")]
    noticed = 0
    for name, data in cases:
        for each, content in files.items():
            (folder / each).write_bytes(content)
        if data is None:
            (folder / name).unlink()
        else:
            (folder / name).write_bytes(data)
        runs, said = told(station)
        assert runs == good
        noticed += bool(said) and "nothing is lost" in said[0]
    assert noticed == len(cases) > 120


def test_an_index_of_another_log_is_not_believed(station: Path) -> None:
    with open_log(station / "other") as log:
        whole_run(log, "X")
        log.checkpoint()
    told(station / "other")
    for name in (INDEX_NAME, STAMP_NAME):
        (station / "records" / name).write_bytes((station / "other" / "records" / name).read_bytes())
    assert told(station) == ([1, 5, 9], ["The index is of another log; it was made anew from the log, and nothing is lost."])


def test_an_index_that_cannot_be_kept_is_used_all_the_same(station: Path) -> None:
    (station / "records" / f"{INDEX_NAME}").mkdir()
    runs, said = told(station)
    assert runs == [1, 5, 9] and "could not be kept" in said[-1]
    assert sorted(path.name for path in (station / "records").iterdir()) == ["checkpoint", INDEX_NAME, "log.jsonl"]


def test_a_damaged_log_is_never_answered_from_the_index(station: Path) -> None:
    told(station)
    log = station / "records" / "log.jsonl"
    data = log.read_bytes()
    log.write_bytes(data[:2_000] + b"!" + data[2_001:])
    with pytest.raises(RecordFault):
        command(records_command, "--outcome", "fail")
