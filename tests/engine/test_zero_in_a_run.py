"""Two-wire ground continuity in whole runs: the station's zero reaches the step, and none means nothing energised."""

from __future__ import annotations

import dataclasses
from datetime import date
from pathlib import Path

import pytest

from eolseq.bands.zero import FixtureZero
from eolseq.quantity import parse
from eolseq.records.reader import Records
from eolseq.steps.ground_continuity import GroundContinuity
from tests.rig import SEQUENCE, Rig

EARTH = next(step for step in SEQUENCE.steps if isinstance(step, GroundContinuity))
TWO_WIRE = dataclasses.replace(SEQUENCE, steps=(dataclasses.replace(EARTH, zero="nest-1"), *SEQUENCE.steps[1:]))


def zero(good_until: date) -> FixtureZero:
    return FixtureZero("nest-1", "SP-1", date(2026, 1, 1), good_until, {point: parse("4 mohm") for point in EARTH.points})


@pytest.mark.parametrize(("zeros", "outcome", "words"), [
    ({}, "fault", "no zero of fixture nest-1"),
    ({"nest-1": zero(date(2026, 1, 4))}, "fault", "and today is 2026-01-05"),
    ({"nest-1": zero(date(2026, 2, 1))}, "pass", "")])
def test_a_run_with_the_zero_of_the_station(tmp_path: Path, zeros: dict[str, FixtureZero], outcome: str,
                                            words: str) -> None:
    rig = Rig(tmp_path, sequence=TWO_WIRE)
    rig.station = dataclasses.replace(rig.station, zeros=zeros)
    with rig:
        result = rig.run()
    assert result.outcome.value == outcome
    assert words in result.sentence
    kinds = [each.payload["kind"] for each in Records.open(Path(rig.station.records)).entries()]
    assert ("energise" in kinds) is (outcome == "pass")
    if outcome == "fault":
        assert all(verdict.outcome.value in ("fault", "not reached") for _, verdict, *_ in result.steps)
