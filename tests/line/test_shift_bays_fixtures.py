"""A shift at several bays that know their fixtures and ask for a challenge of each bay. Invented plant."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from eolseq.bands.band import Outcome
from eolseq.station.checks import Challenges, Checks, Demand, Reference
from tests.bays.test_fixtures_at_bays import A, B, NestRig
from tests.line.test_shift_bays import SIGN_IN, Day, plate
from tests.rig import ROOT


def test_each_bay_tests_on_its_own_fixture_side_by_side(quick_path: Path) -> None:
    with NestRig(quick_path, first=A, second=B) as rig:
        day = Day(rig)
        day.run(*SIGN_IN, (3.0, "bay-1"), (1.0, plate("DH6-00000001")), (1.5, "bay-2"), (1.0, plate("DH6-00000002")),
                (70.0, "bay-1"), (1.0, plate("DH6-00000001")), (1.0, "bay-2"), (1.0, plate("DH6-00000002")),
                (5.0, "=end"))
        assert sorted(day.outcomes()) == [("bay-1", "DH6-00000001", Outcome.PASS),
                                          ("bay-2", "DH6-00000002", Outcome.PASS)]
        assert sorted(rig.mounted()) == [("nest-a", "bay-1"), ("nest-b", "bay-2")] and not rig.desk.holders()


def test_a_challenge_counts_at_its_bay_only(quick_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with NestRig(quick_path) as rig:
        monkeypatch.setattr("tests.line.test_shift_bays.PAGES", rig.pages)  # those of two bays alone
        good = Reference("good", "nothing is wrong with it", "", "", "", "")
        bad = Reference("bad", "an element of 2 kW", "Stage 2 cold", "", "", "wrong-element")
        rig.station = dataclasses.replace(
            rig.station, checks=Checks(Demand("never"), Demand("day")),
            challenges=Challenges(str(ROOT / "sequences/duct-heater-6kw.yaml"), (good, bad)))
        rig.opened.station = rig.station
        day = Day(rig)
        day.run(*SIGN_IN, (3.0, "bay-1"), (1.0, "=challenge"), (150.0, "bay-1"),
                (1.0, plate("DH6-00000001")), (1.0, "bay-2"), (1.0, plate("DH6-00000002")), (90.0, "=end"))
        made = [each.payload for each in rig.log.documents if each.kind == "challenge"]
        assert [(each["bay"], each["fixture"], each["outcome"]) for each in made] == [("bay-1", "nest-a", "pass")]
        assert day.outcomes() == [("bay-1", "DH6-00000001", Outcome.PASS)]
        assert any(bay == "bay-2" and "never challenged at bay-2" in words for bay, words in day.notes("CHECK DUE"))
