"""Heating and cooling with the guard opened at every instant, and with each instrument failing in each: off, and no pass.

A short power input step of the DH-3, an invented unit: heated with the fan, then cooled by it. In virtual time, judged
by the simulator's own view.
"""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import pytest

from eolseq.bands.band import Outcome
from eolseq.records.audit import audit
from eolseq.records.entries import Unlock
from eolseq.sequence.load import read_sequence
from eolseq.sequence.model import Sequence
from tests.rig import ROOT, SCAN, Rig
from tests.safety.test_guard_opened import ALLOWED, on_after, open_at, wire

SERIAL = "DH3-00000001"
TEXT = (ROOT / "sequences/duct-heater-3kw.yaml").read_text(encoding="utf-8")


def short() -> Sequence:
    """Only the last step, with less time to warm and to cool."""
    head, last = TEXT[:TEXT.index("  - kind: ground_continuity")], TEXT[TEXT.rindex("  - kind: power_input"):]
    for old, new in (("warm_up: 12 s", "warm_up: 1.2 s"), ("over: 1 s, within: 5 s", "over: 300 ms, within: 2 s"),
                     ("time: 8 s", "time: 1 s"), ("run_down: 1 s", "run_down: 0.1 s"),
                     ("applied: *supply", "applied:\n      volts: {from: setting, above: 2 %, below: 2 %, source: as shipped}\n"
                      "      hertz: {from: setting, above: 1 %, below: 1 %, source: as shipped}"),
                     ("residual: *residual", "residual: {from: row, row: iec-60204-1, after: 2 s}")):
        assert old in last
        last = last.replace(old, new)
    return read_sequence((head + last).encode(), Path("short.yaml"))


SHORT = short()


def unlock(rig: Rig) -> None:
    """What the next start of a simulated station does."""
    rig.opened.watcher.reset()
    rig.opened.all_off()
    rig.log.append(Unlock(by="test", reason="as at the next start"))


def test_guard_opened_at_every_instant_of_heating_and_cooling(quick_path: Path) -> None:
    outcomes: Counter[Outcome] = Counter()
    while_on = locked = 0
    longest = 0.0
    with Rig(quick_path, SERIAL, sequence=SHORT) as rig:
        wire(rig, False)
        before = rig.clock.instants
        assert rig.run().outcome is Outcome.PASS
        whole = rig.clock.instants - before
        assert 250 <= whole <= 900, "the run's shape changed: look at the number of cases again"
        for instant in range(1, whole + 1):
            rig.world.changes.clear()
            outcome, moment = open_at(rig, instant)
            outcomes[outcome] += 1
            assert moment is not None, f"instant {instant} was not reached"
            stayed = on_after(rig, moment)
            while_on += any(each.get("output") == "on" and each["time"] <= moment for each in rig.world.changes)
            longest = max(longest, stayed)
            assert stayed <= ALLOWED, f"instant {instant}: on for {stayed * 1000:.1f} ms"
            assert rig.world.voltage_at_unit() < 25.0
            if rig.log.locked() is not None:
                locked += 1
                assert outcome is Outcome.FAULT
                unlock(rig)
        path = rig.log.path
    assert sum(outcomes.values()) == whole
    assert outcomes[Outcome.PASS] <= 8, "only once everything is off and dead may an open guard change nothing"
    assert while_on > whole * 0.6 and locked <= 6
    assert not audit(path).findings
    print(f"{whole} instants: {dict(outcomes)}; locked {locked}; longest on after opening {longest * 1000:.1f} ms")


CASES = [(phase, instrument, fault) for phase in ("heating", "cooling") for instrument in ("input", "power", "residual", "guard")
         for fault in ("silent", "garbled", "closed")]


def in_phase(rig: Rig, phase: str) -> bool:
    """Whether the supply has been on for a while, with the element or with the fan alone."""
    if not rig.world.output_on("power") or rig.world.supply_volts() < 200.0:
        return False
    return rig.world.has("stage-1") == (phase == "heating") and rig.world.has("fan")


@pytest.mark.parametrize(("phase", "instrument", "fault"), CASES)
def test_an_instrument_that_fails_ends_it_off_and_without_a_pass(quick_path: Path, phase: str, instrument: str,
                                                                 fault: str) -> None:
    with Rig(quick_path, SERIAL, sequence=SHORT) as rig:
        seen: list[float] = []
        looked = 0

        def probe(_: int) -> None:
            nonlocal looked
            looked += in_phase(rig, phase)
            if looked == 20 and not seen:
                seen.append(rig.clock.monotonic())
                rig.world.set_fault(fault, instrument)

        rig.clock.probe = probe
        result = rig.run()
        rig.clock.probe = None
        assert seen, "the state was reached, and its output was on"
        assert result.outcome is not Outcome.PASS
        assert result.outcome is Outcome.FAULT
        off = [each["time"] for each in rig.world.changes if each["time"] >= seen[0]
               and (each.get("output") == "off" or each.get("contactor") == "open")]  # a source whose line is gone hears no OFF
        allowed = rig.station.guard.watchdog + SCAN if instrument == "guard" else 1.0 + 0.3 + SCAN
        assert off and off[0] - seen[0] <= allowed, f"on for {off[0] - seen[0]:.2f} s"
        assert not rig.world.energised_at_unit()
        path = rig.log.path
    assert not audit(path).findings


def test_the_number_of_cases() -> None:
    assert len(CASES) == 24
