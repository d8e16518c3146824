"""The simulated station of several bays: what a shared source reaches, by relays, and whose guard is whose."""

from __future__ import annotations

import math
from typing import Any

import pytest

from eolseq.errors import WrongUse
from eolseq.simulation.file import build
from tests.bays_rig import SIMULATOR


@pytest.fixture
def hall() -> Any:
    return build(SIMULATOR, now=0.0)


def said(hall: Any, instrument: str, message: str) -> str:
    wires = {name: wire for name, wire, _ in hall.instruments()}
    return str(wires[instrument].receive(message.encode() + b"\n", hall.now).decode().strip())


def close(hall: Any, bay: str) -> None:
    """The bay's guard is closed, looked at, and its contactor let in."""
    number = bay[-1]
    hall.bays[bay].close_guard()
    said(hall, f"guard-{number}", "TRIG:TIM 10;*TRG;:OUTP1 ON")
    assert hall.bays[bay].guard.contactor


def supply_on(hall: Any) -> None:
    said(hall, "power", "VOLT 240;:OUTP ON")


def test_a_source_reaches_the_bay_whose_relay_is_closed_and_no_other(hall: Any) -> None:
    for bay in ("bay-1", "bay-2"):
        close(hall, bay)
    supply_on(hall)
    assert not any(bay.energised_at_unit() for bay in hall.bays.values())
    said(hall, "switching", "ROUT:CLOS (@221)")
    assert [name for name, bay in hall.bays.items() if bay.energised_at_unit()] == ["bay-2"]
    assert hall.bays["bay-2"].voltage_at_unit() == pytest.approx(240 * math.sqrt(2), rel=0.01)
    assert hall.bays["bay-1"].voltage_at_unit() == 0.0
    assert float(said(hall, "residual-2", "MEAS:VOLT:MAX?")) > 300.0
    assert float(said(hall, "residual-1", "MEAS:VOLT:MAX?")) < 1.0
    assert said(hall, "switching", "ROUT:CLOS:STAT?") == "(@221)"
    said(hall, "switching", "ROUT:OPEN (@221)")
    assert not hall.bays["bay-2"].reached_by
    assert [(c["bay"], c["reaches"]) for c in hall.changes if "reaches" in c] == [("bay-2", "on"), ("bay-2", "off")]


def test_two_relays_let_a_source_reach_two_bays_and_the_view_says_so(hall: Any) -> None:
    for bay in ("bay-1", "bay-4"):
        close(hall, bay)
    said(hall, "switching", "ROUT:CLOS (@121,421)")
    supply_on(hall)
    assert [name for name, bay in hall.bays.items() if bay.energised_at_unit()] == ["bay-1", "bay-4"]
    assert hall.bays["bay-1"].reached_by == hall.bays["bay-4"].reached_by == {"power"}
    hall.bays["bay-4"].open_guard()  # its contactor falls by hard wire
    assert [name for name, bay in hall.bays.items() if bay.energised_at_unit()] == ["bay-1"]
    said(hall, "power", "OUTP OFF")
    assert not hall.bays["bay-1"].reached_by and not hall.bays["bay-4"].reached_by


@pytest.mark.parametrize(("bay", "hundred"), [("bay-1", 100), ("bay-3", 300)])
def test_meters_measure_the_unit_that_they_are_switched_to(hall: Any, bay: str, hundred: int) -> None:
    hall.bays[bay].load(f"DH6-{hundred:08}", "wrong-element")
    said(hall, "switching", f"ROUT:CLOS (@{hundred + 22},{hundred + 2})")
    hall.advance_to(1.0)  # the stage's contactor takes its time
    said(hall, "resistance", "CONF:FRES 20")
    assert float(said(hall, "resistance", "READ?")) == pytest.approx(28.1, rel=0.02)
    said(hall, "switching", f"ROUT:OPEN:ALL;:ROUT:CLOS (@{500 - hundred - 78},{500 - hundred - 98})")
    hall.advance_to(2.0)
    assert float(said(hall, "resistance", "READ?")) == pytest.approx(18.8, rel=0.05)


def test_orders_go_to_the_bay_that_they_name(hall: Any) -> None:
    hall.obey({"bay": "bay-3", "close": "both"})
    assert [all(bay.guard.contacts.values()) for bay in hall.bays.values()] == [False, False, True, False]
    hall.obey({"close": "contact_a"})  # the first, where none is named
    assert hall.bays["bay-1"].guard.contacts["contact_a"]
    hall.obey({"bay": "bay-2", "fault": {"name": "stuck", "instrument": "power"}})
    assert hall.sources["power"].stuck == "stuck"
    hall.set_fault("silent", "guard-4")
    assert said(hall, "guard-4", "*IDN?") == ""
    with pytest.raises(WrongUse, match="There is no bay 'bay-9'"):
        hall.obey({"bay": "bay-9", "close": "both"})


def test_the_first_bay_is_whichever_is_named(hall: Any) -> None:
    other = build(SIMULATOR, "DH6-00000077", "pinched-wire", now=0.0, bay="bay-4")
    assert isinstance(other, type(hall))
    assert other.bays["bay-4"].serial == "DH6-00000077" and other.bays["bay-1"].serial == "DH6-00000001"
    assert other.bays["bay-4"].unit.insulation.breakdown == 900.0 != other.bays["bay-1"].unit.insulation.breakdown
    with pytest.raises(WrongUse, match="There is no bay"):
        build(SIMULATOR, now=0.0, bay="bay-5")


def test_the_tester_sees_the_unit_that_it_is_connected_to_and_trips_there(hall: Any) -> None:
    hall.bays["bay-2"].load("DH6-00000002", "pinched-wire")
    close(hall, "bay-2")
    said(hall, "switching", "ROUT:CLOS (@220,223)")
    said(hall, "withstand", "CALC1:LIM:UPP 5E-3;:CALC1:LIM:STAT ON;:VOLT:MODE LIST;:LIST:VOLT 0,1230,1230,0;"
                            ":LIST:DWEL 0.3,1,0.2;:OUTP ON;:INIT")
    hall.advance_to(0.6)
    assert hall.sources["withstand"].tripped and not hall.output_on("withstand")
    trip = next(c for c in hall.changes if c.get("output") == "off")
    assert trip["time"] == pytest.approx(0.3 * 900 / 1230, rel=0.05)
