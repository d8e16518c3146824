"""Whole runs with a guard unit and a power meter that have registers, in virtual time and over real lines.

All instruments, units and numbers are invented demo data.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from eolseq.bands.band import Outcome
from eolseq.instruments.any_page import load_any_page
from eolseq.sequence.load import load_sequence
from tests import rig
from tests.benches import changed_bench

NINE = load_sequence(rig.ROOT / "sequences/duct-heater-9kw.yaml")


@pytest.fixture
def registers(quick_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo bench with registers at its guard unit and its power meter."""
    simulator, station = changed_bench(quick_path, "input", "guard")
    monkeypatch.setattr(rig, "SIMULATOR", simulator)
    monkeypatch.setattr(rig, "STATION", station)
    monkeypatch.setattr(rig, "PAGES", {each.name: load_any_page(rig.ROOT / each.page) for each in station.instruments})
    return quick_path


def test_a_run_with_them_passes(registers: Path) -> None:
    with rig.Rig(registers, serial="DH9-00000001", sequence=NINE) as bench:
        result = bench.run()
    assert result.outcome is Outcome.PASS, result.sentence
    raw = [judged.reading.raw for step, verdict in result.steps for judged in verdict.readings
           if step.kind == "power_input" and judged.reading.instrument == "input"]
    assert raw and all(each.startswith("0x") and len(each) == 10 for each in raw)


def test_the_guard_opened_while_energised_stops_the_run(registers: Path) -> None:
    with rig.Rig(registers) as bench:
        bench.world.open_guard_after(0.5)
        result = bench.run()
        assert result.outcome is Outcome.STOPPED, result.sentence
        assert not bench.world.energised_at_unit()


@pytest.mark.parametrize("fault", ["silent", "garbled", "truncated", "closed"])
@pytest.mark.parametrize("instrument", ["guard", "input"])
def test_a_fault_on_the_line_never_passes(registers: Path, instrument: str, fault: str) -> None:
    with rig.Rig(registers, serial="DH9-00000001", sequence=NINE) as bench:
        bench.world.set_fault(fault, instrument)
        result = bench.run()
        assert result.outcome in (Outcome.FAULT, Outcome.REFUSED), result.sentence
        assert not bench.world.energised_at_unit()


@pytest.mark.parametrize("fault", ["split", "slow"])
def test_what_comes_late_but_whole_may_pass(registers: Path, fault: str) -> None:
    with rig.Rig(registers, serial="DH9-00000001", sequence=NINE) as bench:
        bench.world.set_fault(fault, "input", 0.002)
        result = bench.run()
    assert result.outcome is Outcome.PASS, result.sentence
