"""Which way the fan turns, on a scripted bench: a sensor's reading, or the arrow a person picks."""

from __future__ import annotations

import dataclasses
import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import AcceptanceBand, Outcome
from eolseq.engine.judging import judge_evidence
from eolseq.errors import FileMistakes, StationFault, Stopped
from eolseq.quantity import parse
from eolseq.sequence.load import read_sequence
from eolseq.steps.base import OPERATOR
from eolseq.steps.motor_turning import DIRECTIONS, Airflow, Seen
from tests.steps.fakes import FakeBench, answer
from tests.steps.test_motor_current import STEP, bench, starts, supply

SENSOR = dataclasses.replace(STEP, turning=Airflow(AcceptanceBand(parse("20 Pa"), parse("60 Pa"), "a batch")))
SEEN = dataclasses.replace(STEP, turning=Seen("clockwise", "inlet side", parse("10 s")))
ALONE = len(STEP.bands())


def blowing(pascals: Any, amps: Any = None) -> FakeBench:
    """A bench with a fan whose pressure is a number, 'garbled' or 'open', or is not given at all."""
    used = bench(amps or starts())
    used.meters = {**used.meters, "airflow_meter": lambda t: answer(**({} if pascals is None
                                                                       else {"pressure": (pascals, "Pa")}))}
    return used


def asked(answers: Callable[[float], str | None] | None, amps: Any = None, **more: Any) -> FakeBench:
    """A bench with a person, or without."""
    return bench(amps or starts(), answers=answers, **more)


@pytest.mark.parametrize(("pascals", "outcome"), [
    (20, Outcome.PASS), (40, Outcome.PASS), (60, Outcome.PASS), (19.9, Outcome.FAIL), (60.1, Outcome.FAIL),
    (0, Outcome.FAIL), (-40, Outcome.FAIL), ("open", Outcome.FAIL), ("garbled", Outcome.FAULT), (None, Outcome.FAULT)])
def test_the_pressure_is_judged_as_any_reading(pascals: Any, outcome: Outcome) -> None:
    used = blowing(pascals)
    verdict = judge_evidence(SENSOR.run(used))
    assert verdict.outcome is outcome
    assert [each.name for each in verdict.readings] == ["current", "pressure across the fan", "residual voltage"]
    assert "airflow_meter prepare expected=60 Pa" in used.did[:3]
    assert used.did.index("airflow_meter measure") == len(used.did) - 4, "after settling, before OFF"


@pytest.mark.parametrize("make", [lambda amps: (SENSOR, blowing(40, amps)),
                                  lambda amps: (SEEN, asked(lambda t: "clockwise", amps))])
@pytest.mark.parametrize(("amps", "outcome"), [(9.0, Outcome.FAIL), ("garbled", Outcome.FAULT)])
def test_a_motor_that_does_not_run_shows_no_direction(make: Any, amps: Any, outcome: Outcome) -> None:
    step, used = make(amps)
    evidence = step.run(used)
    assert judge_evidence(evidence).outcome is outcome
    assert evidence.readings[1].reading.value is None
    assert not [each for each in used.did if each.startswith("ask") or each == "airflow_meter measure"]


@pytest.mark.parametrize("seen", DIRECTIONS)
@pytest.mark.parametrize("expected", DIRECTIONS[:2])
def test_only_the_expected_direction_passes(expected: str, seen: str) -> None:
    step = dataclasses.replace(STEP, turning=Seen(expected, "inlet side", parse("10 s")))
    evidence = step.run(asked(lambda t: seen if t > 3 else None))
    taken = evidence.readings[1]
    assert (taken.reading.value, taken.reading.raw) == (DIRECTIONS.index(seen) + 1, seen)
    assert taken.reading.unit == "" and taken.reading.instrument == OPERATOR
    verdict = judge_evidence(evidence)
    assert verdict.outcome is (Outcome.PASS if seen == expected else Outcome.FAIL)
    assert seen == expected or f"seen turning {seen} from inlet side; it must turn {expected}" in verdict.sentence


def test_while_the_person_looks_the_source_is_watched_and_the_current_is_that_of_the_end() -> None:
    used = asked(lambda t: "clockwise" if t > 6 else None)
    evidence = SEEN.run(used)
    gaps = [after - before for before, after in itertools.pairwise(used.looks)]
    assert used.looks[-1] > 6 and max(gaps) < 0.1
    assert evidence.applied[1].samples > 6 / 0.1
    assert used.did[-4:] == ["question over", "off early", "off, run-down 1 s", "disconnect"]


@pytest.mark.parametrize(("answers", "words", "longest"), [
    (lambda t: None, "nobody picked an arrow within 10 s", 13.0), (None, "no person is at a terminal", 3.0)])
def test_without_an_answer_nothing_was_measured(answers: Any, words: str, longest: float) -> None:
    used = asked(answers)
    evidence = SEEN.run(used)
    verdict = judge_evidence(evidence)
    assert verdict.outcome is Outcome.FAULT and words in verdict.sentence
    assert evidence.readings[1].reading.value is None
    assert used.looks[-1] < longest and "off early" in used.did


@pytest.mark.parametrize("error", [Stopped("The guard was opened.", "Close it."),
                                   StationFault("The source is gone.", "Call maintenance.")])
def test_a_trip_ends_the_question(error: Exception) -> None:
    used = asked(lambda t: None, stop_at=(5.0, error))
    with pytest.raises(type(error)):
        SEEN.run(used)
    assert used.looks[-1] < 5.2
    assert "question over" not in used.did, "nothing stands before making safe"


def test_a_source_at_its_limit_while_the_person_looks_fails_the_unit() -> None:
    verdict = judge_evidence(SEEN.run(bench(starts(), supply(limited_at=5.0), answers=lambda t: None)))
    assert verdict.outcome is Outcome.FAIL and "current limit" in verdict.sentence


def test_a_supply_that_sags_while_the_person_looks_is_a_fault() -> None:
    sound, low = supply(), supply(volts=200.0)
    used = bench(starts(), lambda t: low(t) if 5.0 < t < 5.3 else sound(t),
                 answers=lambda t: "clockwise" if t > 6 else None)
    assert judge_evidence(SEEN.run(used)).outcome is Outcome.FAULT


def test_the_source_may_be_on_as_long_as_the_person_may_look() -> None:
    settings = dict(SEEN.settings())["power_source"]
    assert float(settings["longest_on"]) == float(dict(STEP.settings())["power_source"]["longest_on"]) + 10
    assert SEEN.seconds() == pytest.approx(STEP.seconds() + 10)


def test_what_the_step_says_of_itself() -> None:
    assert "airflow_meter" in SENSOR.roles() and "airflow_meter" not in SEEN.roles()
    assert ("airflow_meter", "pressure", parse("60 Pa")) in SENSOR.measures()
    assert len(SENSOR.bands()) == len(SEEN.bands()) == ALONE + 1
    assert SEEN.settings_for_log()["turning"] == "shown by the operator, from inlet side"


# -- in a sequence file -----------------------------------------------------------------------------------------

TEXT = Path("sequences/duct-heater-6kw.yaml").read_text(encoding="utf-8")
OPERATOR_TEXT = "{shown_by: operator, expected: clockwise, seen_from: inlet side, within: 10 s}"
SENSOR_TEXT = "{shown_by: sensor, at_least: 20 Pa, at_most: 60 Pa, basis: a batch of sound units}"


def with_turning(group: str, tmp_path: Path) -> Any:
    """The shipped sequence with a turning, read."""
    text = TEXT.replace("    run_down: 1 s\n", f"    run_down: 1 s\n    turning: {group}\n", 1)
    assert text != TEXT
    return read_sequence(text.encode(), tmp_path / "changed.yaml")


@pytest.mark.parametrize(("group", "step"), [(OPERATOR_TEXT, SEEN), (SENSOR_TEXT, SENSOR)])
def test_a_sequence_states_it(group: str, step: Any, tmp_path: Path) -> None:
    read = next(each for each in with_turning(group, tmp_path).steps if each.kind == "motor_current")
    assert type(read.turning) is type(step.turning)
    assert (read.turning.band.at_least, read.turning.band.at_most) == (
        step.turning.band.at_least, step.turning.band.at_most)


MISTAKES = {
    "who shows it": (SENSOR_TEXT.replace("sensor", "sensors"), "sensor"),
    "no ceiling": (SENSOR_TEXT.replace("at_most: 60 Pa, ", ""), "'at_most' is missing"),
    "no reason": (SENSOR_TEXT.replace(", basis: a batch of sound units", ""), "'basis' is missing"),
    "a floor that a standing fan reaches": (SENSOR_TEXT.replace("20 Pa", "0 Pa"), "0 Pa"),
    "limits in the wrong order": (SENSOR_TEXT.replace("20 Pa", "80 Pa"), "above at_most"),
    "wrong unit": (SENSOR_TEXT.replace("20 Pa", "20 V"), "is in V"),
    "a direction that no sound fan has": (OPERATOR_TEXT.replace("clockwise", "to and fro"), "clockwise"),
    "a word misspelt": (OPERATOR_TEXT.replace("clockwise", "clockwize"), "clockwise"),
    "no time": (OPERATOR_TEXT.replace("10 s", "0 s"), "0 s"),
    "too long": (OPERATOR_TEXT.replace("10 s", "5 min"), "5 min"),
    "the keys of the other": (OPERATOR_TEXT.replace("within: 10 s", "within: 10 s, at_least: 20 Pa"), "at_least"),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_in_the_file_is_told(name: str, tmp_path: Path) -> None:
    group, words = MISTAKES[name]
    with pytest.raises(FileMistakes) as caught:
        with_turning(group, tmp_path)
    assert any(words in f"{each.what} {each.expected} {each.nearest}" for each in caught.value.mistakes)
