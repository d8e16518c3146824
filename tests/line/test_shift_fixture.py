"""A shift at a station that knows its fixture: the coded plug is read before each unit, never while voltage is on."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from eolseq.line.shift_events import Note
from tests.shift_rig import STATION, ShiftRig

GOOD, OTHER, SMALL = "DH6-00000001", "DH6-00000002", "DH3-00000001"


def test_units_of_every_model_are_tested_on_the_right_nest(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.run([GOOD, SMALL])
        assert rig.outcomes() == [(GOOD, "pass"), (SMALL, "pass")]
        mounted = rig.entries("fixture")
        assert [(each["fixture"], each["what"]) for each in mounted] == [("nest-3", "mounted")], "told once, not per unit"


@pytest.mark.parametrize(("plug", "why"), [(10e3, "another fixture's"), (1e9, "not there"), (0.0, "shorted")])
def test_a_wrong_or_missing_plug_refuses_the_unit(tmp_path: Path, plug: float, why: str) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.world.fixture.plug = plug
        rig.run([GOOD])
        assert rig.outcomes() == [(GOOD, "refused")], why
        refused = [each for each in rig.told if isinstance(each, Note) and each.word == "REFUSED"]
        assert refused and "nest-3" in refused[0].sentence
        assert not rig.entries("begin", "energise", "label")


def test_each_sequence_with_a_challenge_of_its_own_is_challenged_when_its_first_unit_comes(tmp_path: Path) -> None:
    assert STATION.challenges is not None
    one = dataclasses.replace(STATION.challenges, references=STATION.challenges.references[:2])
    small = dataclasses.replace(one, sequence="sequences/duct-heater-3kw.yaml", references=tuple(
        dataclasses.replace(each, name=f"{each.name}-3") for each in one.references))
    challenges = dataclasses.replace(one, also=(small,))
    with ShiftRig(tmp_path, checks=True, challenges=challenges) as rig:
        rig.run([GOOD, SMALL, "=challenge", SMALL, OTHER])
        assert rig.outcomes() == [(GOOD, "pass"), (SMALL, "refused"), (SMALL, "pass"), (OTHER, "pass")]
        refused = [each for each in rig.told if isinstance(each, Note) and each.word == "REFUSED"]
        assert "never challenged with Duct heater 3 kW" in refused[0].sentence
        shown = [(each["sequence"]["name"], each["outcome"], each["fixture"]) for each in rig.entries("challenge")]
        assert shown == [("Duct heater 6 kW", "pass", "nest-3"), ("Duct heater 3 kW", "pass", "nest-3")]
