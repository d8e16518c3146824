"""Whole runs in virtual time whose readings lie in the guard zone: undecided, recorded, and releasing nothing."""

from __future__ import annotations

import dataclasses
import json
from base64 import b64decode
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.bands.decision import MULTIPLE, RATIO, RISK, Rule
from eolseq.bands.uncertainty import read_accuracy
from eolseq.commands.run import EXITS
from eolseq.engine.events import RunEnds, StepEnds
from eolseq.engine.run import RunResult
from eolseq.instruments.spans import Known
from eolseq.screen.words import RUN_WORDS
from tests import rig as rig_module
from tests.rig import PAGES, SEQUENCE, Rig

EARTH, STAGE_2, WITHSTAND = "Earth path to every metal part", "Stage 2 cold", "Withstand, line and neutral to earth"
TWICE, FIVE_TIMES = Rule(MULTIPLE, multiple=Decimal(2)), Rule(MULTIPLE, multiple=Decimal(5))


def ran(rig: Rig, twin: str | None = None) -> RunResult:
    """The result of a run of the station with the twin of a defect in its bay: a sound unit, just inside its band."""
    with rig:
        rig.world.load(rig.serial, twin, twin=twin is not None)
        return rig.run()


def changed(folder: Path, **station: Any) -> Rig:
    rig = Rig(folder)
    rig.station = dataclasses.replace(rig.station, **station)
    return rig


def outcomes(result: RunResult) -> dict[str, str]:
    return {step.name: verdict.outcome.value for step, verdict in result.steps}


def test_a_twin_just_inside_passes_simply_and_is_undecided_when_guarded(quick_path: Path) -> None:
    """20.73 ohm stands 0.08 ohm inside 20.81; U there is 0.054 ohm, so twice U is too near and U is not."""
    assert ran(Rig(quick_path / "a"), "wrong-element").outcome is Outcome.PASS
    assert ran(changed(quick_path / "b", decision=Rule(MULTIPLE)), "wrong-element").outcome is Outcome.PASS
    result = ran(changed(quick_path / "c", decision=TWICE), "wrong-element")
    assert result.outcome is Outcome.UNDECIDED
    assert not result.released
    assert {name: word for name, word in outcomes(result).items() if word != "pass"} == {STAGE_2: "undecided"}
    assert "too near to 20.81 ohm to be sure (guarded by 2 U, k = 2); quality decides" in result.sentence
    assert (EXITS[result.outcome.value], RUN_WORDS[result.outcome]) == (1, "REJECT, TO QUALITY")


def test_undecided_in_ground_continuity_ends_energising(quick_path: Path) -> None:
    result = ran(changed(quick_path, decision=FIVE_TIMES), "poor-bond")
    assert outcomes(result)[EARTH] == "undecided"
    assert outcomes(result)[WITHSTAND] == "not reached"
    assert result.outcome is Outcome.UNDECIDED


def test_the_record_holds_band_uncertainty_rule_and_probability(quick_path: Path) -> None:
    rig = changed(quick_path, decision=TWICE)
    ran(rig, "wrong-element")
    entries = [json.loads(b64decode(json.loads(line)["payload"])) for line in rig.log.path.read_bytes().splitlines()]
    found = next(each for each in entries if each["kind"] == "reading" and each["step"] == STAGE_2)
    assert (found["at_least"], found["at_most"], found["outcome"]) == ("17.84", "20.81", "undecided")
    assert (found["rule"], found["uncertainty"]) == ("guarded by 2 U, k = 2", "0.054 ohm, k = 2")
    assert 0.99 < float(found["conformance"]) < 0.999999
    assert found["instrument"]["range"] == "100 ohm" and found["instrument"]["accuracy"] == "0.2 % of reading + 5 counts"
    end = entries[-1]
    assert end["outcome"] == "undecided"
    repeated = next(step for step in end["steps"] if step["name"] == STAGE_2)["readings"][0]
    assert {key: found[key] for key in repeated} == repeated


def test_the_screen_is_told(quick_path: Path) -> None:
    rig = changed(quick_path, decision=TWICE)
    ran(rig, "wrong-element")
    step = next(each for each in rig.events if isinstance(each, StepEnds) and each.outcome is Outcome.UNDECIDED)
    assert step.readings[0].sure is not None and step.readings[0].sure.uncertainty == "0.054 ohm, k = 2"
    end = next(each for each in rig.events if isinstance(each, RunEnds))
    assert end.outcome is Outcome.UNDECIDED


def test_the_rule_of_the_sequence_goes_before_the_stations(quick_path: Path) -> None:
    rig = changed(quick_path, decision=TWICE)
    rig.sequence = dataclasses.replace(SEQUENCE, decision=Rule())
    assert ran(rig, "wrong-element").outcome is Outcome.PASS


def test_a_certificate_makes_sure_what_the_driver_page_does_not(quick_path: Path) -> None:
    better = {"resistance": Known(read_accuracy("0.05 % of reading + 2 counts, k = 2", "ohm"), "C-118")}
    rig = changed(quick_path, decision=TWICE)
    rig.station = dataclasses.replace(rig.station, instruments=tuple(
        dataclasses.replace(each, known=better) if each.name == "resistance" else each for each in rig.station.instruments))
    result = ran(rig, "wrong-element")
    assert result.outcome is Outcome.PASS
    judged = next(verdict for step, verdict in result.steps if step.name == STAGE_2).readings[0]
    assert judged.sure is not None and judged.sure.span is not None
    assert judged.sure.span.words == "0.05 % of reading + 2 counts, k = 2 (certificate C-118)"
    assert judged.sure.uncertainty == "0.013 ohm, k = 2"


def test_an_instrument_without_an_accuracy_passes_nothing(quick_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = PAGES["resistance"]
    gives = {name: dataclasses.replace(given, ranges=tuple(dataclasses.replace(each, stated=None) for each in given.ranges))
             for name, given in page.gives.items()}
    monkeypatch.setattr(rig_module, "PAGES", {**PAGES, "resistance": dataclasses.replace(page, gives=gives)})
    result = ran(Rig(quick_path))
    assert result.outcome is Outcome.UNDECIDED
    assert "how sure this reading is is not known; state its accuracy" in result.sentence
    judged = next(verdict for step, verdict in result.steps if step.name == STAGE_2).readings[0]
    assert judged.sure is not None and judged.sure.conformance is None and judged.sure.uncertainty is None


@pytest.mark.parametrize("rule", [Rule(), Rule(MULTIPLE), Rule(RISK), Rule(RATIO)], ids=str)
def test_a_sound_unit_passes_by_every_rule_and_a_bad_one_fails_by_every_rule(quick_path: Path, rule: Rule) -> None:
    assert ran(changed(quick_path / "sound", decision=rule)).outcome is Outcome.PASS
    rig = changed(quick_path / "bad", decision=rule)
    with rig:
        rig.world.load(rig.serial, "wrong-element")
        assert rig.run().outcome is Outcome.FAIL
