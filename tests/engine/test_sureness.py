"""How sure the readings of a step are, from the step's own words to the instrument's range."""

import math
from decimal import Decimal
from functools import partial
from pathlib import Path

import pytest

from eolseq.bands.band import AcceptanceBand, Outcome, Reading
from eolseq.bands.decision import RISK, Rule, Spread
from eolseq.engine.entries import Used, measured
from eolseq.engine.judging import judge_evidence
from eolseq.engine.sureness import sure_of
from eolseq.instruments.page import load_page
from eolseq.instruments.spans import span_of
from eolseq.quantity import parse
from eolseq.sequence.load import load_sequence
from eolseq.steps.base import Evidence, Taken

STEPS = {step.kind: step for step in load_sequence(Path("sequences/duct-heater-6kw.yaml")).steps}
USED = {name: Used(name, page.role, page.model, "S", "identity", "2099-12-31", partial(span_of, page, {}))
        for name, page in ((path.stem, load_page(path)) for path in sorted(Path("drivers").glob("*.yaml")))}


def reading(value: str, unit: str, instrument: str, name: str = "resistance") -> Reading:
    return Reading(name, Decimal(value), unit, value, "", 0.0, instrument)


def test_a_zero_makes_a_reading_as_unsure_again() -> None:
    """0.06 ohm left of 0.11 ohm read: the accuracy at 0.11 and that at the 0.05 of the leads, by hand."""
    step = STEPS["ground_continuity"]
    bare = Taken(reading("0.06", "ohm", "ct-30"), step.bands()[0][1])
    less = bare._replace(zero=parse("50 mohm"))
    by_zero, by_itself = (sure_of(step, Rule(), None, USED)(each) for each in (less, bare))
    assert by_zero.span is not None and by_itself.span is not None
    steps = 2 * (0.0001 / 2) ** 2
    wanted = math.sqrt(((0.01 * 0.11 + 0.0005) ** 2 + (0.01 * 0.05 + 0.0005) ** 2 + steps) / 3)
    assert by_zero.span.standard(Decimal("0.06")) == pytest.approx(wanted)
    assert by_itself.span.standard(Decimal("0.06")) < wanted
    assert by_zero.uncertainty == "0.0022 ohm, k = 2"


def test_the_range_must_reach_what_is_read_before_the_zero_is_taken_off() -> None:
    step = STEPS["ground_continuity"]
    taken = Taken(reading("0.06", "ohm", "ct-30"), step.bands()[0][1], zero=parse("60 mohm"))
    span = sure_of(step, Rule(), None, USED)(taken).span
    assert span is not None and str(span.to) == "600 mohm"  # 100 mohm and 60 mohm are more than 150 mohm


@pytest.mark.parametrize("instrument", ["", "no such one"])
def test_a_reading_of_no_known_instrument_passes_nothing(instrument: str) -> None:
    step = STEPS["heater_resistance"]
    taken = Taken(reading("19", "ohm", instrument), step.bands()[0][1])
    verdict = judge_evidence(Evidence((taken,)), sure_of(step, Rule(), None, USED))
    assert verdict.outcome in (Outcome.UNDECIDED, Outcome.FAIL)
    entry = measured(verdict.readings[0], USED)
    assert (entry.uncertainty, entry.conformance, entry.instrument) == (None, None, None)


def test_without_a_rule_a_reading_is_judged_as_read_and_the_record_says_so() -> None:
    taken = Taken(reading("19", "ohm", "rm-4"), AcceptanceBand(parse("18 ohm"), parse("20 ohm")))
    judged = judge_evidence(Evidence((taken,))).readings[0]
    assert (judged.outcome, measured(judged, USED).rule) == (Outcome.PASS, "no rule: judged as read")


def test_a_stated_spread_is_that_of_the_steps_own_band_alone() -> None:
    step = STEPS["motor_current"]
    rule, spread = Rule(RISK, risk=Decimal("0.0001")), Spread(parse("2.4 A"), parse("0.2 A"))
    own = Taken(reading("2.4", "A", "am-1", "current"), step.bands()[0][1])
    other = Taken(reading("2", "V", "dv-2", "residual voltage"), step.bands()[1][1])
    sure = sure_of(step, rule, spread, USED)
    assert sure(own).guard.rule.endswith("by the stated process")
    assert sure(other).guard.rule.endswith("of each reading")
