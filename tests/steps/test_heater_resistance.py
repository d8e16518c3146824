"""Heater resistance on a scripted bench."""

from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.engine.judging import judge_evidence
from eolseq.sequence.load import load_sequence
from eolseq.steps.heater_resistance import HeaterResistance
from tests.steps.fakes import FakeBench, answer

STEPS = [step for step in load_sequence(Path("sequences/duct-heater-6kw.yaml")).steps
         if isinstance(step, HeaterResistance)]
STAGE = STEPS[0]
SHORT_CHECK = next(step for step in STEPS if step.is_short_check())


def meter(ohms: Any) -> FakeBench:
    """A bench whose resistance meter reads so many ohms."""
    return FakeBench(meters={"resistance_meter": lambda t: answer(resistance=(ohms, "ohm"))})


def test_one_reading_with_the_stage_closed_by_its_coil() -> None:
    bench = meter("18.73")
    evidence = STAGE.run(bench)
    assert bench.did == ["connect resistance stage-1", "resistance_meter prepare expected=20.81 ohm",
                         "resistance_meter measure", "disconnect"]
    assert [each.reading.raw for each in evidence.readings] == ["18.73"]
    assert judge_evidence(evidence).outcome is Outcome.PASS


def test_cold_band_follows_from_the_rating() -> None:
    """Cr20Ni80 at 400 degC: C_t 1.025 (alloy maker's table, second-hand); +5/-10 % of power (from memory); Ohm's law."""
    low, high = 240 ** 2 / (3000 * 1.05) / 1.025, 240 ** 2 / (3000 * 0.90) / 1.025
    assert float(STAGE.band.at_least or 0) == pytest.approx(low, abs=0.005)
    assert float(STAGE.band.at_most or 0) == pytest.approx(high, abs=0.005)


@pytest.mark.parametrize(("ohms", "outcome"), [("17.83", Outcome.FAIL), ("17.84", Outcome.PASS), ("20.81", Outcome.PASS),
                                               ("20.82", Outcome.FAIL), ("garbled", Outcome.FAULT)])
def test_edges(ohms: str, outcome: Outcome) -> None:
    assert judge_evidence(STAGE.run(meter(ohms))).outcome is outcome


def test_an_open_reading_says_what_may_be_open() -> None:
    verdict = judge_evidence(STAGE.run(meter("open")))
    assert verdict.outcome is Outcome.FAIL
    assert "limit open, stage not closed, or element open" in verdict.sentence


def test_the_short_check_closes_nothing_and_speaks_of_no_stage() -> None:
    bench = meter("open")
    verdict = judge_evidence(SHORT_CHECK.run(bench))
    assert bench.did[0] == "connect resistance"
    assert verdict.outcome is Outcome.FAIL
    assert "stage" not in verdict.sentence
    assert judge_evidence(SHORT_CHECK.run(meter("0.2"))).outcome is Outcome.FAIL
    assert judge_evidence(SHORT_CHECK.run(meter("140000"))).outcome is Outcome.PASS


def test_an_answer_without_the_reading_is_a_fault() -> None:
    bench = FakeBench(meters={"resistance_meter": lambda t: answer()})
    assert judge_evidence(STAGE.run(bench)).outcome is Outcome.FAULT


def test_the_condition_of_the_band_is_recorded() -> None:
    assert STAGE.settings_for_log()["ambient"] == "10 degC to 35 degC"
