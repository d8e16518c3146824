"""``eolseq run`` as its user meets it: exit codes, refusals, the terminal, the JSON document, and what is on record."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pytest

from eolseq.records.audit import audit
from eolseq.records.reader import Records
from eolseq.screen.words import ASK
from eolseq.simulation.file import load_simulator
from tests.safety.real import ROOT, SERIAL, TRIAL_PASSED, Bench, bench_at, bench_station, loaded, short_sequence

pytestmark = pytest.mark.real_lines


def nowhere(names: Iterable[str]) -> dict[str, str]:
    """Each at an address of its own: the discard port, at which nobody listens here."""
    return {name: f"TCPIP0::127.0.0.{number}::9::SOCKET" for number, name in enumerate(names, 1)}


def eolseq(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """The program without a terminal, in a folder."""
    return subprocess.run([sys.executable, "-m", "eolseq", *words], cwd=folder, capture_output=True, text=True, timeout=60,
                          stdin=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False)


def run(folder: Path, sequence: Path, station: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """``eolseq run`` without a terminal."""
    return eolseq(folder, "run", str(sequence), "--unit", SERIAL, "--station", str(station), *words)


def simulated(folder: Path, kind: str = "") -> tuple[Path, Path]:
    """A short sequence, or only its steps of one kind, and a simulated station in a folder."""
    return short_sequence(folder, kind), bench_station(folder, None)


def entries(folder: Path) -> list[dict[str, Any]]:
    """Every entry of a folder's log, each of its signatures checked."""
    return [entry.payload for entry in Records.open(folder / "records").entries(0)]


@pytest.fixture
def bench(quick_path: Path) -> Iterator[Bench]:
    """A simulator and a station file that names its addresses."""
    with bench_at(quick_path) as made:
        yield made


# On a simulated station.


def test_guard_opened_after_the_first_energise(quick_path: Path) -> None:
    done = run(quick_path, *simulated(quick_path), "--acknowledge", "tester", "--open-guard-after", "0.2", "--json")
    assert done.returncode == 4, done.stderr
    document = json.loads(done.stdout)
    assert document["outcome"] == "stopped" and "The guard was opened." in document["sentence"]
    assert [step["outcome"] for step in document["steps"]] == ["stopped"] + ["not reached"] * 3
    end = entries(quick_path)[-1]
    assert (end["kind"], end["outcome"], end["index"]) == ("end", "stopped", document["index"])
    assert not audit(quick_path / "records/log.jsonl").findings


def test_a_defect_fails_and_the_next_attempt_says_so(quick_path: Path) -> None:
    files = simulated(quick_path)
    failed = run(quick_path, *files, "--acknowledge", "tester", "--defect", "pinched-wire", "--json")
    assert failed.returncode == 1, failed.stderr
    passed = run(quick_path, *files, "--acknowledge", "tester", "--json")
    assert passed.returncode == 0, passed.stderr
    document = json.loads(passed.stdout)
    assert document["simulated"] is True and document["attempt"] == 2
    assert [each["outcome"] for each in entries(quick_path)[-1]["earlier"]] == ["fail"]


def test_an_unknown_defect_lists_the_names(quick_path: Path) -> None:
    done = run(quick_path, *simulated(quick_path), "--acknowledge", "tester", "--defect", "pinched-wires")
    assert done.returncode == 2
    names = sorted(load_simulator(ROOT / "simulators/demo-simulator.yaml").defects_of("DH6-00000001"))
    assert len(names) >= 16
    assert sorted(line for line in done.stderr.splitlines() if line in names) == names
    assert not (quick_path / "records").exists()


MISSING = {
    # what is not there: the words of the command line, with {sequence} and {station} for files that are
    "sequence": ("run", "nothing.yaml", "--unit", SERIAL, "--station", "{station}", "--acknowledge", "x"),
    "station": ("run", "{sequence}", "--unit", SERIAL, "--station", "nothing.yaml", "--acknowledge", "x"),
    "unit": ("run", "{sequence}", "--station", "{station}", "--acknowledge", "x"),
    "station option": ("run", "{sequence}", "--unit", SERIAL),
    "log": ("audit", "nothing/log.jsonl"),
    "simulated station": ("simulate", "nothing.yaml"),
    "file to check": ("check", "nothing.yaml"),
}


@pytest.mark.parametrize("words", MISSING.values(), ids=MISSING.keys())
def test_what_is_missing_is_wrong_use(quick_path: Path, words: tuple[str, ...]) -> None:
    sequence, station = simulated(quick_path)
    done = eolseq(quick_path, *(word.format(sequence=sequence, station=station) for word in words))
    assert done.returncode == 2, done.stderr
    said = done.stdout + done.stderr
    assert "nothing" in said or "is missing" in said
    assert "Traceback" not in said
    assert not (quick_path / "records").exists()


# On a real station, whose instruments happen to be simulated.


@pytest.mark.parametrize("option", [("--acknowledge", "tester"), ("--defect", "pinched-wire"),
                                    ("--open-guard-after", "0.2")], ids=lambda option: option[0])
def test_options_of_simulated_stations_are_refused(quick_path: Path, option: tuple[str, str]) -> None:
    names = loaded(ROOT / "simulators/demo-station.yaml")["instruments"]
    station = bench_station(quick_path, nowhere(names))
    done = run(quick_path, short_sequence(quick_path), station, *option)
    assert done.returncode == 3
    assert f"{option[0]} is for simulated stations only" in done.stderr
    assert not (quick_path / "records").exists()


def test_an_instrument_that_the_simulator_lacks_is_named(quick_path: Path) -> None:
    sequence, station = simulated(quick_path)
    station.write_text(station.read_text().replace("\n  gauge:", "\n  second-gauge:"))
    done = run(quick_path, sequence, station, "--acknowledge", "tester")
    assert done.returncode == 5
    assert "has no instrument named second-gauge" in done.stderr and "Traceback" not in done.stderr


def test_instruments_that_are_not_there_are_all_named(quick_path: Path) -> None:
    names = loaded(ROOT / "simulators/demo-station.yaml")["instruments"]
    station = bench_station(quick_path, nowhere(names))
    done = run(quick_path, short_sequence(quick_path), station)
    assert done.returncode == 5
    assert len(names) >= 8 and all(f"  {name}: " in done.stderr for name in names)
    assert "Traceback" not in done.stderr


def test_only_the_instruments_that_refuse_are_named(bench: Bench) -> None:
    refusing = {"withstand", "continuity", "guard"}
    for name in refusing:
        bench.simulator.order(fault={"name": "refused", "instrument": name})
    bench.simulator.catch_up()
    done = run(bench.folder, short_sequence(bench.folder), bench.station)
    assert done.returncode == 5
    named = {line.strip().partition(":")[0] for line in done.stderr.splitlines() if line.startswith("  ")}
    assert named == refusing, done.stderr


def test_another_instrument_than_the_station_file_says(bench: Bench) -> None:
    bench.simulator.order(fault={"name": "wrong-identity", "instrument": "withstand"})
    bench.simulator.catch_up()
    done = run(bench.folder, short_sequence(bench.folder), bench.station)
    assert done.returncode == 5
    assert "SIM-0001-OTHER" in done.stderr and "  withstand: " in done.stderr


def test_acknowledged_at_the_terminal_and_recorded_as_simulated(bench: Bench) -> None:
    program = bench.start(short_sequence(bench.folder))
    assert program.ends() == TRIAL_PASSED, program.text
    assert "SIMULATED" in program.text and "PASS" in program.text
    begin, end = (next(each for each in bench.entries() if each["kind"] == kind) for kind in ("begin", "end"))
    assert (begin["operator"], begin["mode"], begin["trial"]) == ("tester", "simulated", "yes")
    assert (end["mode"], end["outcome"], end["attempt"]) == ("simulated", "pass", 1)
    assert not audit(bench.records / "log.jsonl").findings


@pytest.mark.parametrize("answer", ["\n", "   \n", "\x04"], ids=["nothing", "blanks", "end of input"])
def test_not_acknowledged_is_refused(bench: Bench, answer: str) -> None:
    program = bench.program(short_sequence(bench.folder))
    program.await_text(ASK)
    program.type(answer)
    assert program.ends() == 3
    assert "The cautions were not acknowledged." in program.text
    bench.simulator.catch_up()
    assert not any(event.get("output") == "on" for event in bench.simulator.events)


def test_not_acknowledged_without_a_terminal(bench: Bench) -> None:
    done = subprocess.run([sys.executable, "-m", "tests.safety.approved", "run", str(short_sequence(bench.folder)), "--unit",
                           SERIAL, "--station", str(bench.station)], cwd=bench.folder, input="tester\n", text=True,
                          capture_output=True, timeout=60, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=False)
    assert done.returncode == 3, done.stderr
    assert "The cautions were not acknowledged." in done.stdout + done.stderr


# A log that a crash or a hand has torn.


def test_a_line_that_a_crash_tore_is_recovered_at_the_next_start(quick_path: Path) -> None:
    files = simulated(quick_path, "ground_continuity")
    assert run(quick_path, *files, "--acknowledge", "tester").returncode == 0
    log = quick_path / "records/log.jsonl"
    whole = log.read_bytes()
    last_line = whole.splitlines(keepends=True)[-1]
    log.write_bytes(whole + last_line[:len(last_line) // 2])
    done = run(quick_path, *files, "--acknowledge", "tester")
    assert done.returncode == 0, done.stderr
    assert log.read_bytes().startswith(whole), "nothing is ever taken out of a log"
    kinds = [entry["kind"] for entry in entries(quick_path)]
    assert kinds.count("recovery") == 1 and kinds.count("end") == 2
    assert eolseq(quick_path, "audit", "records/log.jsonl").returncode == 0


def test_a_line_that_was_acknowledged_and_is_cut_in_half_stops_the_station(quick_path: Path) -> None:
    files = simulated(quick_path, "ground_continuity")
    assert run(quick_path, *files, "--acknowledge", "tester").returncode == 0
    log = quick_path / "records/log.jsonl"
    whole = log.read_bytes()
    log.write_bytes(whole[:-len(whole.splitlines()[-1]) // 2])
    done = run(quick_path, *files, "--acknowledge", "tester")
    assert done.returncode == 5
    assert "eolseq audit" in done.stderr and "Traceback" not in done.stderr
    assert eolseq(quick_path, "audit", "records/log.jsonl").returncode == 1
