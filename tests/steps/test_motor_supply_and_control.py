"""Motor current: the band follows the measured supply by a stated rule only; a control signal is waited for."""

from __future__ import annotations

import dataclasses
from decimal import Decimal
from pathlib import Path

import pytest

from eolseq.bands.band import Outcome
from eolseq.bands.motor import SupplyRule
from eolseq.engine.judging import judge_evidence
from eolseq.errors import FileMistakes
from eolseq.quantity import parse
from eolseq.sequence.load import read_sequence
from eolseq.steps.motor_control import Control
from eolseq.steps.motor_current import MotorCurrent
from tests.bands.worked import SOUND
from tests.steps.test_motor_current import STEP, bench, starts, supply

RULE = SupplyRule(parse("240 V"), Decimal(2), "own measurements")


@pytest.mark.parametrize(("rule", "amps", "outcome"), [
    # 236 V of 240 V, squared, is 0.967: 2.16 to 2.64 A becomes 2.089 to 2.552 A
    (None, 2.10, Outcome.FAIL), (RULE, 2.10, Outcome.PASS), (RULE, 2.08, Outcome.FAIL),
    (None, 2.60, Outcome.PASS), (RULE, 2.60, Outcome.FAIL), (RULE, 2.54, Outcome.PASS)])
def test_the_band_follows_the_supply_by_a_stated_rule_only(rule: SupplyRule | None, amps: float,
                                                           outcome: Outcome) -> None:
    step = dataclasses.replace(STEP, supply=rule)
    evidence = step.run(bench(starts(amps), supply(236.0)))
    assert judge_evidence(evidence).outcome is outcome
    band = evidence.readings[0].band
    assert ("236 V measured" in band.basis and "own measurements" in band.basis) is (rule is not None)


def test_a_supply_that_was_not_measured_corrects_nothing_and_never_passes() -> None:
    step = dataclasses.replace(STEP, supply=RULE)
    evidence = step.run(bench(starts(2.40), supply("garbled")))
    assert evidence.readings[0].band == STEP.band
    assert judge_evidence(evidence).outcome is Outcome.FAULT


def test_a_rule_does_not_excuse_a_supply_outside_its_own_band() -> None:
    evidence = dataclasses.replace(STEP, supply=RULE).run(bench(starts(2.0), supply(220.0)))
    assert judge_evidence(evidence).outcome is Outcome.FAULT


def test_a_locked_rotor_is_held_against_the_band_as_it_stands() -> None:
    evidence = dataclasses.replace(STEP, supply=RULE).run(bench(9.0, supply(236.0)))
    assert evidence.readings[0].band == STEP.band


CONTROL = Control(parse("7.5 V"), "fan", parse("2 s"))


def test_a_motor_is_not_settled_before_it_has_followed_its_control() -> None:
    step = dataclasses.replace(STEP, control=CONTROL)
    follows = bench(lambda t: 0.30 if t < 1.9 else 2.40)  # stands still until the signal takes hold, quite steadily
    assert judge_evidence(step.run(follows)).outcome is Outcome.PASS
    assert follows.looks[-1] >= 2.3
    assert judge_evidence(STEP.run(bench(lambda t: 0.30 if t < 1.9 else 2.40))).outcome is Outcome.FAIL
    assert step.settings_for_log()["control"] == "7.5 V by fan"
    assert step.seconds() > STEP.seconds()


def control(text: str) -> MotorCurrent:
    """The motor step of the tests' sequence with a control."""
    source = SOUND.replace("    run_down: 1 s\n", f"    run_down: 1 s\n    control: {text}\n")
    return next(step for step in read_sequence(source.encode(), Path("changed.yaml")).steps
                if isinstance(step, MotorCurrent))


def test_a_control_in_a_file() -> None:
    assert control("{signal: 7.5 V, by: fan, settles_in: 2 s}").control == CONTROL
    assert str(control("{signal: 80 %, by: fan, settles_in: 2 s}").control.signal) == "80 %"  # type: ignore[union-attr]


@pytest.mark.parametrize(("text", "why"), [
    ("{signal: 7.5 ohm, by: fan, settles_in: 2 s}", "'7.5 ohm' is no control signal"),
    ("{signal: 7.5 V, by: fam, settles_in: 2 s}", "'fam' is not closed in this step, expected a part under 'closed', did you mean 'fan'"),
    ("{signal: 7.5 V, by: fan, settles_in: 3.8 s}", "the motor follows its control only after 3.8 s")])
def test_a_control_that_cannot_be(text: str, why: str) -> None:
    with pytest.raises(FileMistakes) as raised:
        control(text)
    assert why in str(raised.value)
