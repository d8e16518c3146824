"""From evidence to outcome: which of several truths wins."""

from decimal import Decimal

import pytest

from eolseq.bands.band import ABOVE_RANGE, NOT_A_NUMBER, AcceptanceBand, Outcome, Reading
from eolseq.engine.judging import judge_evidence, run_outcome
from eolseq.quantity import parse
from eolseq.steps.base import Applied, Evidence, Taken, Trip

BAND = AcceptanceBand(parse("1.2 mA"), parse("2.8 mA"), "test")
VOLTS = AcceptanceBand(parse("1200 V"), parse("1260 V"), "test")


def taken(value: str | None, special: str = "") -> Taken:
    return Taken(Reading("current", None if value is None else Decimal(value), "A", special=special), BAND)


def applied(low: str, high: str, samples: int = 5) -> Applied:
    return Applied("voltage", Reading("voltage", Decimal(low), "V"), Reading("voltage", Decimal(high), "V"), samples, VOLTS)


GOOD, LOW_VOLTS = applied("1225", "1235"), applied("1190", "1235")

CASES = {
    "inside and right": (Evidence((taken("0.0018"),), (GOOD,)), Outcome.PASS),
    "outside": (Evidence((taken("0.0030"),), (GOOD,)), Outcome.FAIL),
    "inside, stimulus wrong": (Evidence((taken("0.0018"),), (LOW_VOLTS,)), Outcome.FAULT),
    "outside, stimulus wrong": (Evidence((taken("0.0030"),), (LOW_VOLTS,)), Outcome.FAIL),
    "above range": (Evidence((taken(None, ABOVE_RANGE),), (GOOD,)), Outcome.FAIL),
    "not a number": (Evidence((taken(None, NOT_A_NUMBER),), (GOOD,)), Outcome.FAULT),
    "one outside, one unread": (Evidence((taken("0.0030"), taken(None, NOT_A_NUMBER)), (GOOD,)), Outcome.FAIL),
    "nothing measured": (Evidence((), (GOOD,)), Outcome.FAULT),
    "never sampled": (Evidence((taken("0.0018"),), (applied("1225", "1235", 0),)), Outcome.FAULT),
    "trip without a current": (Evidence((), (), Trip("holding")), Outcome.FAIL),
    "trip beside a good reading": (Evidence((taken("0.0018"),), (GOOD,), Trip("rising")), Outcome.FAIL),
    "too much voltage": (Evidence((taken("0.0018"),), (applied("1225", "1261"),)), Outcome.FAULT),
}


@pytest.mark.parametrize(("evidence", "outcome"), CASES.values(), ids=CASES.keys())
def test_outcome_of_a_step(evidence: Evidence, outcome: Outcome) -> None:
    verdict = judge_evidence(evidence)
    assert verdict.outcome is outcome
    assert verdict.sentence.endswith(".")


def test_a_trip_says_what_was_seen() -> None:
    trip = Trip("rising", Reading("voltage", Decimal("903"), "V"), Reading("current", Decimal("0.005"), "A"))
    sentence = judge_evidence(Evidence((), (), trip)).sentence
    assert "tripped while rising at 903 V, 0.005 A" in sentence


def test_readings_are_told_in_the_unit_of_their_band() -> None:
    assert "3.0 mA, above 2.8 mA" in judge_evidence(Evidence((taken("0.0030"),), (GOOD,))).sentence


@pytest.mark.parametrize(("outcomes", "whole"), [
    ([Outcome.PASS, Outcome.PASS], Outcome.PASS), ([], Outcome.FAULT), ([Outcome.PASS, Outcome.NOT_REACHED], Outcome.FAULT),
    ([Outcome.STOPPED, Outcome.FAIL], Outcome.FAIL), ([Outcome.FAULT, Outcome.STOPPED], Outcome.FAULT),
    ([Outcome.UNDECIDED, Outcome.PASS], Outcome.UNDECIDED), ([Outcome.FAULT, Outcome.FAIL], Outcome.FAIL)])
def test_outcome_of_a_run(outcomes: list[Outcome], whole: Outcome) -> None:
    assert run_outcome(outcomes) is whole
