"""Dielectric withstand on a scripted bench."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import NO_ANSWER, Outcome, judge
from eolseq.engine.judging import judge_evidence
from eolseq.errors import StationFault, Stopped
from eolseq.instruments.roles import Answer
from eolseq.sequence.load import load_sequence
from eolseq.steps.base import Evidence
from eolseq.steps.dielectric_withstand import DielectricWithstand
from tests.steps.fakes import FakeBench, answer, profile, reading

STEP = next(step for step in load_sequence(Path("sequences/duct-heater-6kw.yaml")).steps
            if isinstance(step, DielectricWithstand))
RISE, HOLD, FALL = 0.3, 1.0, 0.2
DEAD = reading("volts_peak", 3, "V")


def shape(t: float) -> float:
    """The voltage as a share of the full one."""
    return max(0.0, min(1.0, t / RISE, 1 - (t - RISE - HOLD) / FALL))


def a_tester(amps: Any = 0.0018, volts: float = 1230.0, trips_at: float = 99.0, held: float = HOLD,
           phase: Callable[[float], str] | None = None, in_phase: Any = 0.00002) -> Callable[[float], Answer]:
    """A withstand tester; ``amps`` may be a function of time, and it trips at a time."""
    phases = phase or profile(RISE, HOLD, FALL)

    def script(t: float) -> Answer:
        if t >= trips_at:
            return answer("tripped", voltage=(0, "V"), current_total=("garbled", "A"), current_in_phase=("garbled", "A"),
                          elapsed=(round(max(0.0, trips_at - RISE), 3), "s"))
        now, part = phases(t), shape(t)
        total = amps(t) if callable(amps) else amps
        total = total if isinstance(total, str) else round(total * part, 7)
        return answer(f"{now} on" if now else "", voltage=(round(volts * part, 1), "V"), current_total=(total, "A"),
                      current_in_phase=(in_phase, "A"), elapsed=(round(max(0.0, t - RISE) if t < RISE + HOLD else held, 3), "s"))
    return script


def run(script: Callable[[float], Answer], step: DielectricWithstand = STEP, **bench: Any) -> Evidence:
    """The evidence of a step with a tester."""
    return step.run(FakeBench({"withstand_tester": script}, **{"after_off": DEAD, **bench}))


def test_a_sound_unit_passes_with_highest_and_lowest_current_of_the_hold() -> None:
    evidence = run(a_tester(lambda t: 0.0018 + 0.0002 * (0.6 < t < 0.7)))
    values = {each.reading.name: str(each.reading) for each in evidence.readings}
    assert values == {"current": "0.002 A", "current floor": "0.0018 A", "residual voltage": "3 V"}
    assert {each.name: str(each.lowest) for each in evidence.applied} == {"voltage": "1230.0 V", "time": "1.0 s"}
    assert judge_evidence(evidence).outcome is Outcome.PASS


def test_conductors_are_tied_and_stages_closed_before_the_voltage() -> None:
    bench = FakeBench({"withstand_tester": a_tester()}, after_off=DEAD)
    STEP.run(bench)
    assert bench.did == ["connect withstand L N stage-1 stage-2 fan",
                         "on withstand_tester type=ac frequency=60 Hz voltage=1230 V rise=0.3 s hold=1 s fall=0.2 s "
                         "trip=5 mA trip_on=total", "off", "disconnect"]


@pytest.mark.parametrize(("amps", "outcome"), [
    (0.001206, Outcome.PASS), (0.002782, Outcome.PASS), (0.001205, Outcome.FAIL), (0.002783, Outcome.FAIL),
    (0.0, Outcome.FAIL), ("open", Outcome.FAIL), ("garbled", Outcome.FAULT),
    (lambda t: 0.0018 if t < 0.8 else 0.0029, Outcome.FAIL), (lambda t: 0.0018 if t < 0.8 else 0.0011, Outcome.FAIL),
    (lambda t: 0.0018 if t < 0.8 else "garbled", Outcome.FAULT), (lambda t: 0.0018 if t < 0.8 else "open", Outcome.FAIL),
    (lambda t: 0.0029 if t < 0.8 else "garbled", Outcome.FAIL),  # a missed sample does not wash out a bad one
])
def test_edges_of_the_current(amps: Any, outcome: Outcome) -> None:
    assert judge_evidence(run(a_tester(amps))).outcome is outcome


def test_a_trip_while_rising_fails_with_what_was_last_seen() -> None:
    evidence = run(a_tester(trips_at=0.22))  # 900 V of 1230 V
    assert evidence.trip is not None
    assert evidence.trip.phase == "rising"
    assert 600 < float(evidence.trip.voltage.value or 0) < 900  # type: ignore[union-attr]
    assert evidence.trip.current is not None
    assert evidence.trip.current.value is not None  # of the look before, since the last one was garbled
    assert judge_evidence(evidence).outcome is Outcome.FAIL


def test_a_trip_in_the_hold_names_the_time_at_full_voltage() -> None:
    evidence = run(a_tester(trips_at=0.75))
    assert evidence.trip is not None
    assert (evidence.trip.phase, str(evidence.trip.elapsed)) == ("holding", "0.45 s")
    assert judge_evidence(evidence).outcome is Outcome.FAIL


def test_a_trip_without_any_current_still_fails() -> None:
    script = a_tester(trips_at=0.0)
    evidence = run(lambda t: script(t)._replace(readings={}))
    assert evidence.trip is not None
    assert evidence.trip.current is None
    assert judge_evidence(evidence).outcome is Outcome.FAIL


def test_a_trip_without_a_look_at_the_residual_adds_no_fault() -> None:
    evidence = run(a_tester(trips_at=0.5), after_off=None)
    assert evidence.readings == ()


@pytest.mark.parametrize(("change", "name"), [
    ({"volts": 1190.0}, "voltage"), ({"volts": 1270.0}, "voltage"), ({"held": 0.9}, "time"), ({"held": 1.4}, "time")])
def test_a_wrong_stimulus_is_a_fault(change: dict[str, float], name: str) -> None:
    verdict = judge_evidence(run(a_tester(**change)))
    assert verdict.outcome is Outcome.FAULT
    assert name in verdict.sentence


def test_one_sag_of_the_voltage_is_seen() -> None:
    sound = a_tester()

    def sags(t: float) -> Answer:
        found = sound(t)
        return Answer({**found.readings, "voltage": reading("voltage", 1100, "V")}, found.flags) if 0.8 < t < 0.9 else found

    assert judge_evidence(run(sags)).outcome is Outcome.FAULT


def test_a_computer_that_sleeps_through_the_hold_has_not_watched() -> None:
    evidence = run(a_tester(), stalls={8: 0.4})
    assert evidence.applied[0].lowest.special == NO_ANSWER
    assert judge_evidence(evidence).outcome is Outcome.FAULT


def test_in_phase_current_is_judged_where_the_sequence_says_so() -> None:
    step = replace(STEP, trip_on="in_phase")
    evidence = run(a_tester(in_phase=0.0015), step)
    assert str(evidence.readings[0].reading) == "0.0015 A"


@pytest.mark.parametrize(("left", "outcome"), [("60", Outcome.PASS), ("61", Outcome.FAIL), (None, Outcome.FAULT),
                                               ("garbled", Outcome.FAULT)])
def test_volts_left_at_the_unit_are_judged(left: str | None, outcome: Outcome) -> None:
    after = None if left is None else reading("volts_peak", left, "V")
    assert judge_evidence(run(a_tester(), after_off=after)).outcome is outcome


def test_a_tester_that_does_not_end_is_a_fault_in_bounded_time() -> None:
    bench = FakeBench({"withstand_tester": a_tester(phase=lambda t: "holding")}, after_off=DEAD)
    with pytest.raises(StationFault, match="did not end"):
        STEP.run(bench)
    assert bench.clock.monotonic() < RISE + HOLD + FALL + 1.2


def test_a_tester_that_never_starts_measures_nothing() -> None:
    assert judge_evidence(run(a_tester(phase=lambda t: ""))).outcome is Outcome.FAULT


@pytest.mark.parametrize(("amps", "outcome"), [(0.0029, Outcome.FAIL), (0.0011, Outcome.PASS), (0.0018, Outcome.PASS)])
def test_only_too_much_current_survives_a_stop(amps: float, outcome: Outcome) -> None:
    """An opened guard takes the voltage off the unit: too little current then says nothing about the unit."""
    stop = Stopped("The guard was opened.", "Close it and start again.")
    with pytest.raises(Stopped) as caught:
        run(a_tester(amps), stop_at=(0.9, stop))
    kept = caught.value.evidence
    assert isinstance(kept, Evidence)
    assert [judge(each.band, each.reading).outcome for each in kept.readings] == [outcome]


def test_stopped_before_the_hold_nothing_is_kept() -> None:
    with pytest.raises(Stopped) as caught:
        run(a_tester(), stop_at=(0.1, Stopped("The guard was opened.", "Close it.")))
    assert caught.value.evidence == Evidence((), (), None)


def test_a_dc_test_logs_no_frequency() -> None:
    assert "frequency" not in replace(STEP, type="dc").settings_for_log()
    assert STEP.settings_for_log()["frequency"] == "60 Hz"
