"""The end of a shift where the station file asks for a challenge then: said once, and remembered. Invented plant."""

from __future__ import annotations

import dataclasses
from datetime import timedelta
from pathlib import Path
from typing import Any

from eolseq.line.shift_events import Situation, Stands
from eolseq.station.checks import Checks, Demand
from tests.shift_rig import MORNING, STATION, ShiftRig, typed

GOOD = "DH6-00000001"
assert STATION.challenges is not None
FEW: dict[str, Any] = {"challenges": dataclasses.replace(STATION.challenges, references=STATION.challenges.references[:2])}
AT_END = Checks(Demand("never"), Demand("day", at_end=True), (360, 840, 1320))  # the morning shift begins at 6:00


def test_the_end_is_put_off_once_until_the_station_was_challenged(tmp_path: Path) -> None:
    with ShiftRig(tmp_path, **FEW, checks=True) as rig:
        rig.station = rig.opened.station = dataclasses.replace(rig.station, checks=AT_END)
        rig.run([GOOD, "=end", "=challenge"])
        assert rig.notes().count("NOT YET") == 1 and "1 unit tested since the last challenge" in rig.note("NOT YET").sentence
        assert rig.outcomes() == [(GOOD, "pass")] and rig.log.locked() is None
        assert [each["outcome"] for each in rig.entries("challenge")] == ["pass", "pass"], \
            "the contact that let the unit go is open again"
        assert rig.around.before_end() == ""


def test_a_shift_ends_with_the_challenge_of_what_was_tested_in_it(tmp_path: Path) -> None:
    one = FEW["challenges"]
    small = dataclasses.replace(one, sequence="sequences/duct-heater-3kw.yaml", references=tuple(
        dataclasses.replace(each, name=f"{each.name}-3") for each in one.references))
    with ShiftRig(tmp_path, checks=True, challenges=dataclasses.replace(one, also=(small,))) as rig:
        rig.station = rig.opened.station = dataclasses.replace(rig.station, checks=AT_END)
        rig.run([GOOD, "=end", "=challenge"])
        assert "since the last challenge with Duct heater 6 kW" in rig.note("NOT YET").sentence
        assert [(each["sequence"]["name"], each["outcome"]) for each in rig.entries("challenge")] == [
            ("Duct heater 6 kW", "pass")] * 2, "no unit of 3 kW was tested, so nothing is asked for with that sequence"
        assert rig.around.before_end() == ""


def test_who_goes_without_it_leaves_it_to_the_next_shift(tmp_path: Path) -> None:
    with ShiftRig(tmp_path, **FEW, checks=True) as rig:
        rig.opened.station = dataclasses.replace(rig.station, checks=AT_END)
        rig.run([GOOD])
        assert rig.notes().count("NOT YET") == 1 and len(rig.entries("challenge")) == 1
    with ShiftRig(tmp_path, **FEW, checks=True, start=MORNING + timedelta(hours=9)) as again:
        again.opened.station = dataclasses.replace(again.station, checks=AT_END)
        again.run([])
        due = next(each for each in again.told if isinstance(each, Stands) and each.situation is Situation.CHECK_DUE)
        assert "A shift ended without its challenge: units were tested from 2026-01-05 06:0" in f"{due.do} {due.why}"
        assert len(again.entries("challenge")) == 2 and again.around.due() == []
        marks = [each["reason"] for each in again.entries("remark")]
        assert sum("A shift ended without its challenge" in each for each in marks) == 1


def test_the_end_is_put_off_once_while_a_unit_that_passed_has_not_been_let_go(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.run([GOOD], {Situation.LABEL: [typed("end")]})
        said = rig.note("NOT YET").sentence
        assert rig.notes().count("NOT YET") == 1 and f"Unit {GOOD} passed and has not been let go." in said
        assert "Stick the label on unit" in said and "=end once more" in said
        assert rig.entries("label")[-1]["event"] == "read back" and rig.after.pending is None


def test_who_ends_a_shift_all_the_same_finds_the_unit_at_the_next_start(tmp_path: Path) -> None:
    with ShiftRig(tmp_path) as rig:
        rig.run([GOOD], {Situation.LABEL: [typed("end"), typed("end")]})
        assert rig.notes().count("NOT YET") == 1 and rig.after.pending is not None
        assert [each["event"] for each in rig.entries("label")] == ["print", "printed"]
        assert rig.inbox.ended.startswith("Ended by ")
