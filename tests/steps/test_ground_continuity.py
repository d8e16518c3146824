"""Ground continuity on a scripted bench."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import ABOVE_RANGE, NO_ANSWER, Outcome, judge
from eolseq.engine.judging import judge_evidence
from eolseq.errors import StationFault, Stopped
from eolseq.instruments.roles import Answer
from eolseq.sequence.load import load_sequence
from eolseq.steps.base import Evidence
from eolseq.steps.ground_continuity import GroundContinuity
from tests.steps.fakes import FakeBench, answer, profile

SHIPPED = load_sequence(Path("sequences/duct-heater-6kw.yaml"))
STEP = next(step for step in SHIPPED.steps if isinstance(step, GroundContinuity))
PHASE = profile(0.1, 0.4, 0.02)


def a_tester(ohms: Any, amps: Any = 25.0, phase: Callable[[float], str] = PHASE) -> Callable[[float], Answer]:
    """A continuity tester: current rises to its value, resistance may be a function of time."""
    def script(t: float) -> Answer:
        now = phase(t)
        share = {"rising": t / 0.1, "holding": 1.0}.get(now, 0.0)
        flowing = amps if isinstance(amps, str) else amps * share
        return answer(f"{now} on" if now else "", current=(flowing, "A"),
                      resistance=(ohms(t) if callable(ohms) else ohms, "ohm"))
    return script


def test_every_point_is_measured_four_wire_through_its_own_relay() -> None:
    bench = FakeBench({"continuity_tester": a_tester(0.03)})
    evidence = STEP.run(bench)
    assert [each.where for each in evidence.readings] == list(STEP.points)
    assert judge_evidence(evidence).outcome is Outcome.PASS
    assert bench.did[:4] == ["connect continuity front-panel",
                             "on continuity_tester current=25 A rise=0.1 s hold=0.4 s open_volts=12 V",
                             "off", "disconnect"]
    assert bench.did.count("disconnect") == len(STEP.points) == 5


def test_the_reading_is_that_of_the_end_of_the_hold() -> None:
    evidence = STEP.run(FakeBench({"continuity_tester": a_tester(lambda t: round(0.2 - t / 4, 4))}))
    assert float(evidence.readings[0].reading.value or 0) < 0.2 - 0.4 / 4  # one look before the end at the earliest


def test_an_open_point_fails_and_the_others_are_still_measured() -> None:
    scripts = [a_tester(0.03), a_tester("open", 0.0), a_tester(0.03), a_tester(0.2), a_tester(0.03)]
    evidence = STEP.run(FakeBench({"continuity_tester": scripts}))
    outcomes = [judge(each.band, each.reading).outcome for each in evidence.readings]
    assert outcomes == [Outcome.PASS, Outcome.FAIL, Outcome.PASS, Outcome.FAIL, Outcome.PASS]
    assert evidence.readings[1].reading.special == ABOVE_RANGE
    verdict = judge_evidence(evidence)
    assert verdict.outcome is Outcome.FAIL
    assert "not bonded" in verdict.sentence


@pytest.mark.parametrize(("ohms", "outcome"), [(0.002, Outcome.PASS), (0.1, Outcome.PASS), (0.0019, Outcome.FAIL),
                                               (0.1001, Outcome.FAIL), ("garbled", Outcome.FAULT)])
def test_edges_of_the_band(ohms: Any, outcome: Outcome) -> None:
    assert judge_evidence(STEP.run(FakeBench({"continuity_tester": a_tester(ohms)}))).outcome is outcome


@pytest.mark.parametrize("amps", [23.9, 26.1, "garbled"])
def test_a_wrong_current_is_a_fault_however_good_the_resistance(amps: Any) -> None:
    evidence = STEP.run(FakeBench({"continuity_tester": a_tester(0.03, amps)}))
    assert judge_evidence(evidence).outcome is Outcome.FAULT


def test_what_is_applied_is_sampled_at_most_a_tenth_of_a_second_apart() -> None:
    bench = FakeBench({"continuity_tester": a_tester(0.03)})
    evidence = STEP.run(bench)
    gaps = [b - a for a, b in zip(bench.looks, bench.looks[1:], strict=False) if b > a]
    assert max(gaps) <= 0.1
    assert evidence.applied[0].samples >= 5 * 3
    assert evidence.applied[0].lowest.value == 25  # no look while the current still rose was counted


def test_a_look_that_began_before_the_hold_does_not_count() -> None:
    """An instrument answers its readings first and its condition after: the first look at the hold may lie before it."""
    sound = a_tester(0.03)

    def lagging(t: float) -> Answer:
        return Answer(sound(max(0.0, t - 0.07)).readings, sound(t).flags)

    evidence = STEP.run(FakeBench({"continuity_tester": lagging}))
    assert evidence.applied[0].lowest.value == 25
    assert judge_evidence(evidence).outcome is Outcome.PASS


def test_a_tester_that_never_ends_is_a_fault_in_bounded_time() -> None:
    bench = FakeBench({"continuity_tester": a_tester(0.03, phase=lambda t: "holding")})
    with pytest.raises(StationFault, match="did not end"):
        STEP.run(bench)
    assert bench.clock.monotonic() < 0.1 + 0.4 + 1.0 + 0.2


def test_a_tester_that_never_starts_gives_no_reading() -> None:
    evidence = STEP.run(FakeBench({"continuity_tester": a_tester(0.03, phase=lambda t: "")}))
    assert {each.reading.special for each in evidence.readings} == {NO_ANSWER}
    assert judge_evidence(evidence).outcome is Outcome.FAULT


def test_one_point_without_a_hold_makes_the_applied_current_unknown() -> None:
    scripts = [a_tester(0.03)] * 4 + [a_tester(0.03, phase=lambda t: "")]
    evidence = STEP.run(FakeBench({"continuity_tester": scripts}))
    assert evidence.applied[0].lowest.special == NO_ANSWER


def test_points_measured_before_a_stop_travel_with_it() -> None:
    bench = FakeBench({"continuity_tester": [a_tester(0.5), a_tester(0.03), a_tester(0.03)]})
    stopped = Stopped("The guard was opened.", "Close it and start again.")

    def look_back(name: str, *_: Any) -> None:
        if name == "resistance motor-frame":
            bench.stop_at = (0.0, stopped)

    bench.live = look_back  # type: ignore[method-assign]
    with pytest.raises(Stopped) as caught:
        STEP.run(bench)
    kept = caught.value.evidence
    assert isinstance(kept, Evidence)
    assert [judge(each.band, each.reading).outcome for each in kept.readings] == [Outcome.FAIL, Outcome.PASS]
