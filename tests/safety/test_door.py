"""The door to voltage and the watcher on their own: what must hold even when the engine is busy or a step is careless."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from eolseq.errors import StationFault, Stopped
from eolseq.guard.inputs import Reason
from eolseq.guard.power import LockedRed
from eolseq.quantity import parse
from tests.rig import SCAN, Rig

STOP = Reason(False, "Stopped by a test.", "Nothing to do.")
SUPPLY = {"volts": parse("240 V"), "hertz": parse("60 Hz"), "current_limit": parse("15 A"), "longest_on": parse("10 s")}


@pytest.fixture
def rig(quick_path: Path) -> Iterator[Rig]:
    """A station with its guard closed and armed, the supply's relay closed."""
    with Rig(quick_path) as rig:
        assert rig.opened.watcher.wait_for(lambda s: s.closed, 5)
        rig.opened.watcher.arm()
        rig.opened.by_role["switching_unit"].perform("close", channel=121)
        yield rig


def off_at(rig: Rig) -> float:
    return next(c["time"] for c in reversed(rig.world.changes) if c.get("output") == "off" and c["name"] == "power")


def test_off_goes_out_at_once_though_the_engine_is_busy(rig: Rig) -> None:
    """The watcher writes OFF itself; it does not wait for the task that works with the source."""
    power = rig.opened.by_role["power_source"]
    with pytest.raises(Stopped), rig.opened.door.energised(power, SUPPLY, write=lambda: None) as source:
        source.sample()
        rig.clock.sleep(0.5)
        rig.world.advance_to(rig.clock.monotonic())
        rig.world.open_guard()
        opened = rig.clock.monotonic()
        rig.clock.sleep(3.0)  # a step that neither looks nor listens
        source.sample()
    assert off_at(rig) - opened <= SCAN + 0.005


def test_a_trip_while_on_is_on_the_wire_lets_no_step_begin(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """OFF may overtake ON; the second look at the latch is what then takes the voltage off again."""
    power = rig.opened.by_role["power_source"]
    perform = power.perform

    def overtaken(action: str, **given: Any) -> Any:
        if action != "energise":
            return perform(action, **given)
        rig.opened.watcher.trip(STOP)
        rig.opened.watcher.allow_reads()
        return perform(action, **given)  # ON reaches the source after OFF

    monkeypatch.setattr(power, "perform", overtaken)
    entered = False
    with pytest.raises(Stopped), rig.opened.door.energised(power, SUPPLY, write=lambda: None):
        entered = True
    assert not entered
    came_on = next(c["time"] for c in rig.world.changes if c.get("output") == "on" and c["name"] == "power")
    assert off_at(rig) - came_on <= 0.005
    assert not rig.opened.door.voltage_possible


def test_a_log_that_cannot_be_written_energises_nothing(rig: Rig) -> None:
    def write() -> None:
        raise StationFault("The disk is full.", "Make room.")

    with pytest.raises(StationFault, match="disk is full"), \
            rig.opened.door.energised(rig.opened.by_role["power_source"], SUPPLY, write=write):
        pytest.fail("the step began")
    assert not any(c.get("output") == "on" for c in rig.world.changes)


CEILINGS = {"volts": ("volts", "2001 V"), "current": ("current_limit", "31 A"), "time": ("longest_on", "71 s")}


@pytest.mark.parametrize(("setting", "value"), CEILINGS.values(), ids=CEILINGS.keys())
def test_no_setting_goes_above_a_ceiling(rig: Rig, setting: str, value: str) -> None:
    settings = {**SUPPLY, setting: parse(value)}
    with pytest.raises(StationFault, match="ceiling"), \
            rig.opened.door.energised(rig.opened.by_role["power_source"], settings, write=lambda: None):
        pytest.fail("the step began")
    assert not any(c.get("output") == "on" for c in rig.world.changes)


def test_a_source_that_reports_more_than_the_ceiling_is_stopped(rig: Rig) -> None:
    rig.opened.door._ceilings = type(rig.opened.door._ceilings)(200.0, 0.01, 30.0, 70.0)
    settings = {**SUPPLY, "volts": parse("190 V")}
    rig.world.set_fault("drifted", "power", 0.1)
    with pytest.raises(StationFault, match="above this station's ceiling"), \
            rig.opened.door.energised(rig.opened.by_role["power_source"], settings, write=lambda: None) as source:
        source.sample()
    assert not rig.world.output_on("power")


def test_a_meter_that_never_saw_the_voltage_cannot_prove_it_gone(rig: Rig) -> None:
    with pytest.raises(LockedRed, match="cannot prove the unit dead"), \
            rig.opened.door.energised(rig.opened.by_role["power_source"], SUPPLY, write=lambda: None) as source:
        rig.world.set_fault("silent", "residual")
        source.sample()
        rig.world.clear_faults()
    assert rig.opened.door.voltage_possible and rig.world.guard.locked


def test_a_meter_that_does_not_answer_is_found_before_anything_is_energised(rig: Rig) -> None:
    rig.world.set_fault("silent", "residual")
    with pytest.raises(StationFault, match="gives no reading") as caught, \
            rig.opened.door.energised(rig.opened.by_role["power_source"], SUPPLY, write=lambda: None):
        pytest.fail("the step began")
    assert not isinstance(caught.value, LockedRed)
    assert not any(c.get("output") == "on" for c in rig.world.changes)


def test_a_lost_stop_line_is_found_before_anything_is_energised(rig: Rig) -> None:
    rig.world.set_fault("closed", "withstand")
    rig.clock.sleep(0.1)
    with pytest.raises(StationFault, match="stop line to withstand is lost"), \
            rig.opened.door.energised(rig.opened.by_role["power_source"], SUPPLY, write=lambda: None):
        pytest.fail("the step began")
    assert not any(c.get("output") == "on" for c in rig.world.changes)


def test_voltage_at_the_unit_before_on_locks(rig: Rig) -> None:
    """A source that is stuck on from before shows as soon as the contactor closes."""
    rig.world.set_fault("stuck-silent", "power")
    power = rig.opened.by_role["power_source"]
    with pytest.raises(LockedRed), rig.opened.door.energised(power, SUPPLY, write=lambda: None) as source:
        source.sample()
    rig.opened.watcher.reset()
    rig.world.advance_to(rig.clock.monotonic())
    with pytest.raises(LockedRed, match="although no source was switched on"), \
            rig.opened.door.energised(power, SUPPLY, write=lambda: None):
        pytest.fail("the step began")
