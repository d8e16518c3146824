"""What happens at its own time with nobody speaking, what the contactor takes away, and faults of the station."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.errors import WrongUse
from eolseq.simulation.file import build, load_simulator
from tests.simulation.physics.talk import DEMO, SIMULATOR, Talk

EXACT = 1e-9  # seconds


# -- off by itself --------------------------------------------------------------------------------------------------

@pytest.mark.parametrize(("name", "seconds"), [("withstand", 1.5), ("power", 8.0), ("continuity", 0.6)])
def test_every_source_ends_by_itself_at_its_exact_time(name: str, seconds: float) -> None:
    talk = Talk().ready(100)
    talk.prepare_power() if name == "power" else talk.prepare_withstand()
    talk.ask("continuity", "SOUR:CURR:MODE LIST;:LIST:CURR 0,25,25,0;DWEL 0.1,0.4,0.1")
    started = talk.start(name)
    assert talk.bay.output_on(name)
    talk.wait(100)
    assert not talk.bay.output_on(name)
    assert talk.changes("output", name)[-1] == (pytest.approx(started + seconds, abs=EXACT), "off")
    assert talk.changes("off_received", name) == []


def test_an_output_that_is_on_but_never_started_goes_off_by_itself() -> None:
    talk = Talk().ready(100)
    talk.prepare_withstand()
    talk.ask("withstand", "OUTP ON")
    on = talk.now
    assert talk.bay.output_on("withstand") and not talk.bay.energised_at_unit()
    talk.wait(5)
    assert talk.changes("output", "withstand") == [(on, "on"), (pytest.approx(on + 1.0, abs=EXACT), "off")]


def test_start_without_output_is_a_settings_conflict() -> None:
    talk = Talk().ready()
    talk.prepare_withstand()
    talk.ask("withstand", "INIT")
    assert talk.ask("withstand", "SYST:ERR?").startswith("-221,")
    assert not talk.bay.output_on("withstand")


@pytest.mark.parametrize("profile", ["VOLT 0,900,800,0;DWEL 1,1,1", "VOLT 0,900,900;DWEL 1,1", "VOLT 5,9,9,5;DWEL 1,1,1"])
def test_a_list_that_is_no_profile_does_not_start(profile: str) -> None:
    talk = Talk().ready()
    talk.prepare_withstand()
    talk.ask("withstand", f"SOUR:LIST:{profile}")
    talk.start("withstand")
    assert talk.ask("withstand", "SYST:ERR?").startswith("-221,")
    assert talk.bay.voltage_at_unit() == 0.0


def test_the_continuity_current_counts_as_energised_while_it_flows() -> None:
    talk = Talk().ready()
    talk.close(111)
    talk.ask("continuity", "SOUR:CURR:MODE LIST;:LIST:CURR 0,25,25,0;DWEL 0.1,0.4,0.1")
    talk.start("continuity")
    talk.wait(0.3)
    assert talk.bay.energised_at_unit() and talk.bay.voltage_at_unit() == 0.0
    talk.ask("switching", "ROUT:OPEN:ALL")
    assert talk.bay.output_on("continuity") and not talk.bay.energised_at_unit()


def test_a_look_in_each_phase() -> None:
    talk = Talk().ready()
    talk.prepare_withstand()
    started = talk.start("withstand")
    phases = []
    for moment in (0.15, 0.8, 1.4, 1.6):
        talk.wait(started + moment - talk.now)
        phases.append(talk.look())
    volts = [each[0] for each in phases]
    assert [each[4] for each in phases] == [8, 16, 256, 0]
    assert volts[0] == pytest.approx(615, rel=0.02) and volts[1] == pytest.approx(1230, rel=0.015)
    assert volts[2] == pytest.approx(615, rel=0.02) and volts[3] == 0
    assert [each[3] for each in phases] == pytest.approx([0, 0.5, 1, 1], abs=2e-3)
    assert phases[1][1] == pytest.approx(1.855e-3, rel=0.03)  # 2 pi f C V (C)


def test_phases_that_nobody_saw_are_latched_as_events() -> None:
    talk = Talk().ready()
    talk.prepare_withstand()
    talk.start("withstand")
    talk.wait(3)
    assert talk.ask("withstand", "STAT:OPER?") == str(8 + 16 + 256)


# -- trip -----------------------------------------------------------------------------------------------------------

def test_the_pinched_wire_trips_on_the_way_up_at_its_exact_time() -> None:
    talk = Talk("pinched-wire").ready()
    talk.prepare_withstand()
    started = talk.start("withstand")
    talk.wait(2)
    gain = talk.bay.sources["withstand"].gain
    moment = started + 0.3 * 900 / (1230 * gain)  # the ramp is straight
    assert talk.changes("output", "withstand")[-1] == (pytest.approx(moment, abs=EXACT), "off")
    volts, total, in_phase, elapsed, work, doubt = talk.look()
    assert volts == pytest.approx(900, rel=0.015)
    assert total > 5e-3 and in_phase > 5e-3 and elapsed == 0 and work == 0 and doubt == 2
    assert talk.ask("withstand", "OUTP?") == "0"
    talk.ask("withstand", "OUTP OFF")
    assert talk.look()[0] == 0 and talk.look()[5] == 2
    talk.ask("withstand", "OUTP ON")
    assert talk.look()[5] == 0


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 1e6), st.floats(0.1, 3), st.floats(100, 1200))
def test_what_is_read_after_a_trip_is_what_made_it_trip(start: float, rise: float, breakdown: float) -> None:
    """Whatever floating point makes of the moment at which the ramp meets the breakdown voltage."""
    talk = Talk("pinched-wire")
    talk.now = start
    talk.ready()
    talk.bay.unit.insulation.breakdown = breakdown
    talk.prepare_withstand()
    talk.ask("withstand", f"SOUR:LIST:DWEL {rise},1,0.2")
    talk.start("withstand")
    talk.wait(rise + 0.5)
    volts, total, _, _, _, doubt = talk.look()
    assert doubt == 2 and volts == pytest.approx(breakdown, rel=0.016, abs=1)
    assert total == pytest.approx(breakdown / 20e3, rel=0.05)  # Ohm's law through the arc (C)


def test_the_limit_on_the_in_phase_current_ignores_the_capacitive_one() -> None:
    talk = Talk("damp-insulation").ready()
    for limit, trip, tripped in ((2, 3.5e-3, False), (1, 3.5e-3, True), (2, 2.9e-3, True)):
        talk.prepare_withstand(trip=trip, limit=limit)
        talk.start("withstand")
        talk.wait(1.0)
        assert bool(talk.look()[5]) is tripped, (limit, trip)
        talk.wait(2.0)
        talk.ask("withstand", "OUTP OFF")


@settings(max_examples=40, deadline=None)
@given(st.floats(1e-4, 4e-3))
def test_no_current_above_the_limit_is_ever_left_on(trip: float) -> None:
    talk = Talk().ready()
    talk.prepare_withstand(trip=trip)
    talk.start("withstand")
    for _ in range(30):
        talk.wait(0.05)
        if talk.bay.output_on("withstand"):
            assert talk.bay.tester_current()[0] <= trip * (1 + 1e-9)
    assert talk.bay.sources["withstand"].tripped is (trip < talk.bay.load_seen.current(
        1230 * talk.bay.sources["withstand"].gain, 60.0)[0])


def test_direct_voltage_breaks_down_at_the_crest() -> None:
    for volts, tripped in ((1250, False), (1290, True)):  # 900 V rms has a crest of 1272.8 V (C)
        talk = Talk("pinched-wire").ready()
        talk.prepare_withstand(volts, shape="DC")
        talk.start("withstand")
        talk.wait(1.0)
        assert bool(talk.look()[5]) is tripped


def test_the_power_source_protects_itself() -> None:
    talk = Talk().ready()
    talk.prepare_power(protection=5)
    started = talk.start("power")
    talk.wait(1)
    assert talk.changes("output", "power")[-1] == (pytest.approx(started, abs=EXACT), "off")
    assert talk.numbers("power", "MEAS:VOLT?;:STAT:QUES:COND?") == [0, 2]


def test_line_tied_to_neutral_is_a_short_for_the_supply() -> None:
    talk = Talk().ready()
    talk.prepare_power(protection=40)
    talk.close(123)
    talk.start("power")
    talk.wait(0.01)
    assert talk.changes("output", "power")[-1][1] == "off"
    assert not talk.bay.output_on("power") and talk.bay.sources["power"].tripped


# -- guard, watchdog, contactor -------------------------------------------------------------------------------------

def test_the_guard_is_seen_open_then_closes_by_itself() -> None:
    talk = Talk()
    talk.wait(5)
    assert talk.ask("guard", "*TRG;:STAT:OPER:COND?;:STAT:QUES:COND?") == "0;1024"
    seen = talk.now
    talk.wait(0.3)
    assert talk.ask("guard", "STAT:OPER:COND?;:STAT:QUES:COND?") == "768;1024"
    assert talk.changes("guard") == [(pytest.approx(seen + 0.2, abs=EXACT), "closed"),
                                     (pytest.approx(seen + 0.205, abs=EXACT), "closed")]


def test_a_guard_closed_too_early_for_anyone_to_see_is_opened_and_closed_again_until_something_begins() -> None:
    talk = Talk()
    talk.ask("guard", "*TRG")
    talk.wait(3.1)
    assert talk.ask("guard", "STAT:OPER:COND?") == "768"
    talk.wait(0.2)
    assert talk.ask("guard", "*TRG;:STAT:OPER:COND?") == "0"
    talk.wait(0.3)
    assert talk.ask("guard", "STAT:OPER:COND?") == "768"
    talk.ask("switching", "ROUT:CLOS (@130)")  # the discharge, which a program puts on before anything begins
    talk.wait(3.0)
    assert talk.ask("guard", "*TRG;:STAT:OPER:COND?") == "0"
    talk.wait(0.3)
    talk.ask("switching", "ROUT:CLOS (@122)")
    talk.wait(60)
    assert talk.ask("guard", "STAT:OPER:COND?") == "768"


def test_the_next_unit_opens_the_guard_again() -> None:
    talk = Talk().ready()
    talk.bay.load("DH6-00000002", "open-element")
    assert talk.ask("guard", "STAT:OPER:COND?") == "0"
    talk.ready()
    assert talk.heater(1) == 9.9e37


def test_an_open_guard_cannot_be_locked() -> None:
    talk = Talk()
    talk.ask("guard", "OUTP2 ON")
    assert talk.ask("guard", "SYST:ERR?").startswith("-221,")
    assert talk.ask("guard", "OUTP2?") == "0"


@pytest.mark.parametrize("name", ["withstand", "power"])
def test_a_missed_pulse_takes_the_voltage_away_at_its_exact_time(name: str) -> None:
    talk = Talk().ready()
    talk.prepare_withstand() if name == "withstand" else talk.prepare_power()
    talk.ask("guard", "TRIG:TIM 0.3")
    talk.pulse()
    pulsed = talk.now
    talk.start(name)
    talk.wait(pulsed + 0.299 - talk.now)
    assert talk.bay.energised_at_unit() and talk.bay.voltage_at_unit() > 300
    talk.wait(0.002)
    assert not talk.bay.energised_at_unit()
    assert talk.changes("contactor")[-1] == (pytest.approx(pulsed + 0.3, abs=EXACT), "open")
    assert talk.bay.output_on(name)  # the source itself does not know
    assert talk.ask("guard", "STAT:QUES:COND?") == "1024"
    talk.pulse()
    assert not talk.bay.guard.contactor  # nothing comes back by itself
    talk.ask("guard", "OUTP1 ON")
    assert talk.bay.guard.contactor


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(0.001, 0.4), min_size=1, max_size=20))
def test_the_contactor_is_closed_only_while_pulses_come_in_time(gaps: list[float]) -> None:
    talk = Talk().ready(watchdog=0.2)
    for gap in gaps:
        talk.pulse()
        before = talk.bay.guard.contactor
        pulsed = talk.now
        talk.wait(gap)
        assert talk.bay.guard.contactor is (before and gap < 0.2), pulsed


@pytest.mark.parametrize("contact", ["a", "b", "both", "contact_a"])
def test_an_opened_guard_opens_the_contactor_by_hard_wire(contact: str) -> None:
    talk = Talk().ready()
    talk.prepare_withstand()
    talk.start("withstand")
    talk.wait(0.5)
    talk.bay.open_guard(contact)
    assert not talk.bay.energised_at_unit() and talk.bay.output_on("withstand")
    assert talk.changes("contactor")[-1][1] == "open"


def test_the_stop_button() -> None:
    talk = Talk().ready()
    talk.bay.press_stop()
    assert int(talk.ask("guard", "STAT:OPER:COND?")) & (1 << 12)
    assert not talk.bay.guard.contactor
    talk.bay.press_stop(False)
    assert talk.bay.guard.contactor


def test_the_guard_opens_a_while_after_the_first_output() -> None:
    talk = Talk().ready()
    talk.bay.open_guard_after(0.35)
    talk.prepare_withstand()
    talk.ask("withstand", "OUTP ON;*OPC?")
    on = talk.now
    talk.ask("withstand", "INIT")
    talk.wait(3)
    assert talk.changes("guard", "contact_a")[-1] == (pytest.approx(on + 0.35, abs=EXACT), "open")


def test_a_contactor_follows_its_coil_after_its_own_time() -> None:
    talk = Talk().ready()
    talk.ask("switching", "ROUT:CLOS (@122,101)")
    talk.wait(0.03)
    talk.ask("switching", "ROUT:CLOS (@102)")  # another coil must not delay the first
    assert talk.numbers("resistance", "CONF:FRES 20;:READ?") == [9.9e37]
    talk.wait(0.021)
    assert talk.numbers("resistance", "READ?")[0] == pytest.approx(18.74, rel=2e-3)
    talk.wait(0.04)
    assert talk.numbers("resistance", "READ?")[0] == pytest.approx(9.37, rel=2e-3)


# -- what stays behind ----------------------------------------------------------------------------------------------

def test_the_filter_capacitor_keeps_its_charge_and_the_bleeder_takes_it() -> None:
    """V0 exp(-t/RC), RC = 140.4 kohm * 6 uF = 0.8426 s (C)."""
    talk = Talk().ready()
    talk.prepare_power()
    talk.start("power")
    talk.wait(1)
    assert talk.residual() == pytest.approx(240 * math.sqrt(2), rel=0.01)
    talk.ask("power", "OUTP OFF")
    off = talk.now
    before = talk.bay.voltage_at_unit()
    talk.wait(off + 2 - talk.now)
    assert talk.bay.voltage_at_unit() == pytest.approx(before * math.exp(-2 / 0.842553), rel=1e-4)
    assert talk.numbers("resistance", "CONF:FRES 20;:READ?") == [9.9e37]
    talk.ask("switching", "ROUT:CLOS (@122)")
    assert talk.numbers("resistance", "READ?") == [9.91e37]  # there is a charge: no number
    talk.ask("switching", "ROUT:CLOS (@130)")
    talk.wait(0.06)
    assert talk.bay.voltage_at_unit() < 1


def test_a_cut_withstand_leaves_the_crest_behind() -> None:
    talk = Talk().ready()
    talk.prepare_withstand()
    talk.start("withstand")
    talk.wait(0.6)
    talk.bay.open_guard()
    assert talk.bay.voltage_at_unit() == pytest.approx(1230 * math.sqrt(2), rel=0.015)
    talk.ask("switching", "ROUT:CLOS (@130)")
    talk.wait(0.001)
    assert talk.bay.voltage_at_unit() < 1


def test_nothing_reaches_the_unit_without_contactor_or_route() -> None:
    talk = Talk()
    talk.prepare_withstand()
    talk.start("withstand")
    talk.wait(0.6)
    assert talk.bay.output_on("withstand") and talk.look()[0] > 1200
    assert talk.residual() == 0 and not talk.bay.energised_at_unit()
    talk = Talk().ready()
    talk.prepare_withstand()
    talk.ask("switching", "ROUT:OPEN (@120)")
    talk.start("withstand")
    talk.wait(0.6)
    assert talk.residual() == 0 and talk.look()[1] < 0.1e-3


# -- faults of the station ------------------------------------------------------------------------------------------

@pytest.mark.parametrize("name", ["withstand", "power"])
@pytest.mark.parametrize(("fault", "says"), [("stuck", "1"), ("stuck-silent", "0")])
def test_a_stuck_output_acknowledges_off_and_stays_on(name: str, fault: str, says: str) -> None:
    talk = Talk().ready(100)
    talk.prepare_withstand() if name == "withstand" else talk.prepare_power()
    talk.start(name)
    talk.wait(0.6)
    talk.bay.set_fault(fault, name)
    assert talk.ask(name, "OUTP OFF;*OPC?") == "1"
    assert [each for each, _ in talk.changes("off_received")] == [pytest.approx(talk.now)]
    talk.wait(30)
    assert talk.bay.output_on(name) and talk.bay.energised_at_unit()
    assert talk.ask(name, "OUTP?") == says
    own = talk.numbers(name, "MEAS:VOLT?")[0]
    assert (own > 200) is (fault == "stuck") and (fault == "stuck" or own == 0)
    assert talk.residual() > 300  # the unit's terminals tell the truth
    talk.bay.clear_faults()
    assert not talk.bay.output_on(name)


@pytest.mark.parametrize(("channels", "volts"), [
    ((137, 138), 25 * 0.19995), ((137,), 0.0), ((138,), 0.0), ((132, 138), 0.0), ((), 0.0)],
    ids=["shunt and tap", "shunt alone", "tap alone", "tap of another shunt", "nothing"])
def test_the_residual_meter_sees_a_shunt_through_its_own_tap_alone(channels: tuple[int, ...], volts: float) -> None:
    """Ohm's law; the meter is right within 1 % and the tester's current too."""
    talk = Talk().ready(100)
    talk.close(111, *channels)
    talk.bay.set_fault("stuck-silent", "continuity")
    talk.ask("continuity", "SOUR:CURR:MODE LIST;:LIST:CURR 0,25,25,0;DWEL 0.1,0.4,0.1")
    talk.start("continuity")
    talk.wait(5)
    assert talk.bay.output_on("continuity") and talk.ask("continuity", "OUTP?") == "0"
    assert talk.residual() == pytest.approx(volts, rel=0.025, abs=0.11)
    talk.ask("guard", "OUTP1 OFF")
    assert talk.residual() < 0.2  # the contactor has opened the loop
    talk.bay.clear_faults()
    assert talk.residual() < 0.2 and not talk.bay.output_on("continuity")


def test_a_stuck_output_does_not_end_by_itself_either() -> None:
    talk = Talk().ready(100)
    talk.bay.set_fault("stuck", "withstand")
    talk.prepare_withstand()
    talk.start("withstand")
    talk.wait(60)
    assert talk.bay.output_on("withstand") and talk.residual() > 1600
    talk.ask("guard", "OUTP1 OFF")
    assert not talk.bay.energised_at_unit()


# Faults of the bay's leads: what the readings become. (Bands: 2 to 100 mohm; 17.84 to 20.81 ohm; 1.2 to 2.8 mA.)
LEADS = [
    ("test-lead-off", 9.9e37, 18.74, "under its floor"),
    ("dead-sense-lead", 0.0, 0.0, "sound"),
    ("earthed-pallet", 1.15e-3, 18.74, "under its floor"),
]


@pytest.mark.parametrize(("fault", "bond", "heater", "current"), LEADS, ids=[each[0] for each in LEADS])
def test_faults_of_the_leads(fault: str, bond: float, heater: float, current: str) -> None:
    talk = Talk().ready(100)
    talk.bay.set_fault(fault)
    assert talk.bond("front-panel") == pytest.approx(bond, rel=0.05, abs=2e-4)
    assert talk.heater(1) == pytest.approx(heater, rel=0.01, abs=0.005)
    talk.prepare_withstand()
    talk.start("withstand")
    talk.wait(0.8)
    amps = talk.look()[1]
    assert (amps < 1.2e-3) if current == "under its floor" else (1.8e-3 < amps < 1.95e-3)
    talk.bay.clear_faults()
    assert talk.bond("front-panel") == pytest.approx(0.025, rel=0.02)


def test_line_and_earth_swapped_at_the_unit() -> None:
    """Insulation where a path should be, a load where insulation should be, and a fan that does not run (arithmetic)."""
    talk = Talk().ready(100)
    talk.bay.set_fault("swapped-leads")
    assert talk.bond("front-panel") == 9.9e37  # 12 V through 200 Mohm: no current to speak of
    assert talk.heater(1, expected=1e7) == 9.9e37  # 200 Mohm is above the widest range
    talk.prepare_withstand()
    talk.start("withstand")
    talk.wait(0.8)
    assert talk.look()[5] == 2, "it trips: two stages of 19 ohm and a capacitor of 6 uF lie across its output"
    talk.ask("withstand", "OUTP OFF")
    talk.open_all()
    talk.prepare_power()
    talk.start("power")
    talk.wait(1.0)
    assert talk.amps() == pytest.approx(2 * math.pi * 60 * 2.25e-9 * 240, abs=2e-3)  # to the frame: 0.2 mA
    assert talk.residual() == pytest.approx(240 * math.sqrt(2), rel=0.02), "and the frame is live"
    talk.bay.clear_faults()
    talk.wait(1.0)
    assert talk.amps() > 1.0


@pytest.mark.parametrize(("fault", "number", "least", "most"),
                         [("drifted", 0.2, 22, 23), ("drifted", None, 20, 21), ("overloaded", None, 9e37, 1e38)])
def test_faults_of_a_meter(fault: str, number: float | None, least: float, most: float) -> None:
    talk = Talk().ready()
    talk.bay.set_fault(fault, "resistance", number)
    assert least < talk.heater(1) < most
    talk.bay.clear_faults()
    assert talk.heater(1) == pytest.approx(18.74, rel=2e-3)


def test_a_noisy_meter_scatters() -> None:
    talk = Talk().ready()

    def scatter() -> float:
        readings = [talk.heater(1) for _ in range(20)]
        return max(readings) - min(readings)

    quiet = scatter()
    talk.bay.set_fault("noisy", "resistance")
    assert scatter() > 10 * max(quiet, 1e-3)


def test_an_overloaded_source_sags() -> None:
    talk = Talk().ready()
    talk.bay.set_fault("overloaded", "withstand")
    talk.prepare_withstand()
    talk.start("withstand")
    talk.wait(0.8)
    assert talk.look()[0] == pytest.approx(0.7 * 1230, rel=0.02)


def test_a_swapped_instrument_gives_another_serial() -> None:
    talk = Talk()
    assert talk.ask("residual", "*IDN?") == "Aldervale Instruments (simulated),DV-2,SIM-0006,1.0"
    talk.bay.set_fault("wrong-identity", "residual")
    assert talk.ask("residual", "*IDN?").split(",")[2] != "SIM-0006"


def test_a_dead_lamp() -> None:
    talk = Talk().ready()
    assert talk.ask("guard", "STAT:QUES:COND?") == "512"
    talk.bay.set_fault("red-lamp-dead", "guard")
    assert talk.ask("guard", "STAT:QUES:COND?") == "0"


ORDERS = [{"opne": "both"}, {"open": "contact_c"}, {"fault": "silent"}, {"fault": {}}, {"open_guard_after": "soon"},
          {"fault": {"name": "no-such", "instrument": "power"}}, {"fault": {"name": "stuck", "instrument": "guard"}},
          {"fault": {"name": "no-such-fault"}}, {"fault": {"name": "stuck", "instrument": "toaster"}}]


@pytest.mark.parametrize("order", ORDERS, ids=[str(each) for each in ORDERS])
def test_orders_that_are_not_understood(order: dict[str, object]) -> None:
    with pytest.raises(WrongUse):
        Talk().bay.obey(order)


def test_orders() -> None:
    talk = Talk().ready()
    told: list[dict[str, object]] = []
    talk.bay.emit = told.append
    talk.bay.obey({"stop": True, "closes_by_itself": False})
    talk.bay.obey({"stop": False})
    talk.bay.obey({"open": "contact_a"})
    talk.bay.obey({"close": "both"})
    talk.bay.obey({"fault": {"name": "silent", "instrument": "withstand"}})
    assert talk.ask("withstand", "*IDN?") == ""
    talk.bay.obey({"clear_faults": True})
    assert talk.ask("withstand", "*IDN?") != ""
    assert [each["guard"] for each in told if "guard" in each] == ["pressed", "released", "open", "closed"]
    assert [each["contactor"] for each in told if "contactor" in each] == ["open", "closed"] * 2


def test_time_in_one_go_or_in_many_steps_is_the_same() -> None:
    views = []
    for step in (0.0007, 5.0):
        talk = Talk().ready(100)
        talk.prepare_power(longest=2.0)
        talk.start("power")
        end = talk.now + 5.0
        while talk.now < end:
            talk.wait(min(step, end - talk.now))
        assert talk.bay.unit.motor is not None
        views.append((talk.changes("output"), talk.bay.unit.motor.speed, talk.bay.voltage_at_unit()))
    assert views[0][0] == views[1][0]
    assert views[0][2] == pytest.approx(views[1][2], rel=1e-6)


def test_a_run_is_the_same_every_time_and_another_unit_reads_otherwise() -> None:
    def readings(serial: str) -> list[float]:
        talk = Talk(serial=serial).ready()
        return [talk.bond("front-panel"), talk.heater(1), talk.heater(2)]

    assert readings("DH6-00000001") == readings("DH6-00000001")
    assert any(readings("DH6-00000001") != readings(f"DH6-0000001{n}") for n in range(3))


@settings(max_examples=25, deadline=None)
@given(st.lists(st.sampled_from(
    ["OUTP ON", "OUTP OFF", "INIT", "ABOR", "*RST", "SOUR:VOLT:MODE FIX", "SOUR:VOLT:MODE LIST", "SOUR:VOLT 200",
     "SOUR:LIST:VOLT 200;DWEL 0.5", "SOUR:LIST:VOLT 0,200,200,0;DWEL 0.1,0.2,0.1", "SOUR:LIST:DWEL 0",
     "wait", "relays", "guard"]), max_size=30))
def test_any_order_of_commands_leaves_an_output_that_off_turns_off(messages: list[str]) -> None:
    talk = Talk().ready(1000)
    for message in messages:
        if message == "wait":
            talk.wait(0.21)
        elif message == "relays":
            talk.ask("switching", "ROUT:CLOS (@121,104,101)")
        elif message == "guard":
            talk.bay.open_guard()
        else:
            talk.ask("power", message)
    talk.ask("power", "OUTP OFF")
    assert not talk.bay.output_on("power") and not talk.bay.energised_at_unit()
    assert talk.ask("power", "OUTP?") == "0"
    states = [state for _, state in talk.changes("output", "power")]
    assert states == ["on", "off"] * (len(states) // 2)


def test_there_are_at_least_sixteen_defects() -> None:
    assert len(SIMULATOR.defects) >= 16


def test_a_guard_that_is_not_hard_wired_leaves_the_contactor_to_the_program(tmp_path: Path) -> None:
    path = tmp_path / "soft.yaml"
    path.write_text(DEMO.read_text().replace("hard_wired: yes", "hard_wired: no"))
    talk = Talk()
    talk.bay = build(load_simulator(path), now=0.0)
    talk.ready()
    talk.bay.open_guard()
    assert talk.bay.guard.contactor
    talk.wait(11)  # the watchdog works all the same
    assert not talk.bay.guard.contactor
