"""Motor current on a scripted bench."""

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.bands.band import Outcome, judge
from eolseq.engine.judging import judge_evidence
from eolseq.errors import Stopped
from eolseq.instruments.roles import Answer
from eolseq.sequence.load import load_sequence
from eolseq.steps.base import Evidence
from eolseq.steps.motor_current import MotorCurrent, change_percent
from tests.steps.fakes import FakeBench, answer, reading

STEP = next(step for step in load_sequence(Path("sequences/duct-heater-6kw.yaml")).steps
            if isinstance(step, MotorCurrent))
DEAD = reading("volts_peak", 30, "V")


def starts(running: float = 2.40, tau: float = 0.25, locked: float = 9.0) -> Callable[[float], float]:
    """The current of a motor that starts: exponential from the locked to the running one."""
    return lambda t: round(running + (locked - running) * math.exp(-t / tau), 4)


def supply(volts: Any = 240.0, hertz: Any = 60.0, limited_at: float = 99.0) -> Callable[[float], Answer]:
    """A power source."""
    return lambda t: answer("limited" if t >= limited_at else "holding on", volts=(volts, "V"), hertz=(hertz, "Hz"))


def bench(amps: Any, source: Callable[[float], Answer] | None = None, **more: Any) -> FakeBench:
    """A bench with a motor whose current is a function of time, or constant."""
    def meter(t: float) -> Answer:
        return answer(current_rms=(amps(t) if callable(amps) else amps, "A"))

    return FakeBench({"power_source": source or supply()}, {"current_meter": meter}, **{"after_off": DEAD, **more})


def test_a_sound_motor_passes_once_settled() -> None:
    used = bench(starts())
    evidence = STEP.run(used)
    assert judge_evidence(evidence).outcome is Outcome.PASS
    assert float(evidence.readings[0].reading.value or 0) == pytest.approx(2.40, rel=0.01)
    assert 1.0 < used.looks[-1] < 2.5  # not before it has settled, and not for ever
    assert used.did[0] == "connect power fan"
    assert used.did[1] == "current_meter prepare expected=5 A"
    assert used.did[2] == "on power_source volts=240 V hertz=60 Hz current_limit=15 A longest_on=6 s"
    assert used.did[-3:] == ["off early", "off, run-down 1 s", "disconnect"]


def test_a_locked_rotor_is_cut_off_early_and_fails() -> None:
    used = bench(9.0)
    evidence = STEP.run(used)
    assert used.looks[-1] <= 1.0 + 0.1
    assert "off early" in used.did
    assert str(evidence.readings[0].reading) == "9.0 A"
    assert judge_evidence(evidence).outcome is Outcome.FAIL


@pytest.mark.parametrize(("running", "outcome"), [(2.40, Outcome.PASS), (2.95, Outcome.FAIL), (1.95, Outcome.FAIL),
                                                  (2.05, Outcome.FAIL), (2.18, Outcome.PASS), (2.60, Outcome.PASS)])
def test_both_limits(running: float, outcome: Outcome) -> None:
    assert judge_evidence(STEP.run(bench(starts(running)))).outcome is outcome


@pytest.mark.parametrize(("amps", "outcome"), [
    (lambda t: round(2.17 + 0.088 * t, 4), Outcome.FAULT),            # inside the band, but never settles
    (lambda t: round(2.9 + 0.08 * t, 4), Outcome.FAIL),             # outside it, settled or not
    ("garbled", Outcome.FAULT), ("open", Outcome.FAIL)])
def test_a_motor_that_does_not_settle_never_passes(amps: Any, outcome: Outcome) -> None:
    used = bench(amps)
    assert judge_evidence(STEP.run(used)).outcome is outcome
    assert used.looks[-1] <= 1.0 + 4.0 + 0.1


def test_garbled_readings_in_the_window_keep_it_from_settling() -> None:
    sound = starts()
    evidence = STEP.run(bench(lambda t: "garbled" if t > 0.5 else sound(t)))
    assert judge_evidence(evidence).outcome is Outcome.FAULT


def test_a_source_at_its_limit_fails_the_unit_and_says_why() -> None:
    verdict = judge_evidence(STEP.run(bench(14.0, supply(limited_at=0.2))))
    assert verdict.outcome is Outcome.FAIL
    assert "current limit" in verdict.sentence


@pytest.mark.parametrize("source", [supply(volts=234.0), supply(volts=246.0), supply(hertz=59.0),
                                    supply(volts="garbled"), supply(hertz="open")])
def test_a_wrong_supply_is_a_fault(source: Callable[[float], Answer]) -> None:
    assert judge_evidence(STEP.run(bench(starts(), source))).outcome is Outcome.FAULT


def test_one_sag_of_the_supply_is_seen() -> None:
    sound, low = supply(), supply(volts=200.0)
    verdict = judge_evidence(STEP.run(bench(starts(), lambda t: low(t) if 0.3 < t < 0.4 else sound(t))))
    assert verdict.outcome is Outcome.FAULT


def test_a_bad_bleeder_fails_by_the_volts_that_are_left() -> None:
    verdict = judge_evidence(STEP.run(bench(starts(), after_off=reading("volts_peak", 290, "V"))))
    assert verdict.outcome is Outcome.FAIL
    assert "Residual voltage" in verdict.sentence


def test_what_is_left_after_two_seconds_tells_a_bleeder_from_none() -> None:
    """R C ln(V0/Vs): 6 uF from the crest of 240 V down to 60 V through 150 kohm beside 2.2 Mohm, and through 2.2 Mohm."""
    after = float(STEP.residual.after)
    for ohms, in_time in ((150e3 * 2.2e6 / (150e3 + 2.2e6), True), (2.2e6, False)):
        assert (ohms * 6e-6 * math.log(240 * math.sqrt(2) / 60) < after) is in_time


@pytest.mark.parametrize(("amps", "outcomes"), [(starts(), []), (9.0, [])])
def test_a_stop_while_starting_keeps_nothing(amps: Any, outcomes: list[Outcome]) -> None:
    with pytest.raises(Stopped) as caught:
        STEP.run(bench(amps, stop_at=(0.4, Stopped("The guard was opened.", "Close it."))))
    kept = caught.value.evidence
    assert isinstance(kept, Evidence)
    assert [judge(each.band, each.reading).outcome for each in kept.readings] == outcomes


def samples(values: list[float], every: float = 0.08) -> list[tuple[float, Any]]:
    """Readings of a current at equal intervals."""
    return [(index * every, reading("current", value, "A")) for index, value in enumerate(values)]


@given(st.floats(0.5, 50), st.floats(-0.05, 0.05))
def test_the_slope_of_a_straight_line_is_its_slope(start: float, per_second: float) -> None:
    """A current that changes by c A/s changes by c times the window over the window, whatever its noise-free level."""
    values = [round(start + per_second * 0.08 * n, 6) for n in range(8)]
    window = values[-5:]  # the last 0.32 s hold 0.3 s
    found = change_percent(samples(values), 0.3)
    assert found is not None
    assert float(found) == pytest.approx(abs(per_second) * 0.3 / (sum(window) / 5) * 100, abs=0.002)


@given(st.lists(st.floats(0.1, 20), min_size=8, max_size=30))
def test_settled_means_little_change_in_the_window(values: list[float]) -> None:
    found = change_percent(samples([round(v, 4) for v in values]), 0.3)
    assert found is not None
    assert found >= 0


@pytest.mark.parametrize("values", [[2.4], [2.4] * 3, []][:2])
def test_no_slope_before_the_window_is_full(values: list[float]) -> None:
    assert change_percent(samples(values), 0.3) is None


def test_a_current_of_nothing_has_no_slope() -> None:
    assert change_percent(samples([0.0] * 8), 0.3) is None
