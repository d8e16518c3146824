"""The good reference unit is trended: its drift is shown, and beyond a stated part of a band it is a miss. Invented."""

from __future__ import annotations

import dataclasses
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.commands.challenge import record
from eolseq.commands.challenge_trend import trend_lines
from eolseq.commands.run import bay_of
from eolseq.engine.run import UnitRun
from eolseq.records.entries import Unlock
from eolseq.records.reader import Records
from eolseq.verification.challenge import for_references, judge_reference, serial_of
from eolseq.verification.trend import CHART_WIDTH, Trend, chart, drifted, trends
from tests.rig import PAGES, SEQUENCE, STATION, Rig

CHALLENGES = STATION.challenges
assert CHALLENGES is not None
GOOD = next(each for each in CHALLENGES.references if not each.step)


def challenged(rig: Rig, part: float) -> str:
    """A challenge with the good unit alone, its rear panel's bond changed to a part of what it was; its outcome."""
    rig.world.load("DH6-00000001")
    rig.world.unit.earth["rear-panel"] *= part
    unit = UnitRun(rig.clock, for_references(SEQUENCE), bay_of(rig.opened, PAGES), rig.log, rig.events.append,
                   lambda _: "tester", [], reference=True)
    shown = [judge_reference(GOOD, unit.run(serial_of(GOOD)))]
    assert shown[0].outcome == "caught"
    record(rig.log, rig.station, rig.station.challenges, SEQUENCE, PAGES, shown, "tester")
    return shown[0].outcome


def test_a_drift_beyond_the_stated_part_of_the_band_locks_and_an_unlock_begins_anew(tmp_path: Path) -> None:
    rig = Rig(tmp_path)
    rig.station = dataclasses.replace(rig.station, challenges=dataclasses.replace(CHALLENGES, drift=Decimal(20)))
    with rig:
        assert [challenged(rig, part) for part in (1.0, 1.2, 2.0)] == ["caught", "caught", "missed"]
        last = [each for each in rig.log.documents if each.kind == "challenge"][-1].payload
        assert last["outcome"] == "fail" and "resistance rear-panel drifted by" in last["sentence"]
        assert rig.log.locked() is not None
        lines = trend_lines(Records.open(Path(rig.station.records)))
        row = next(at for at, line in enumerate(lines) if "resistance rear-panel" in line)
        assert "ohm, drift +" in lines[row + 1] and "*" in lines[row + 2] and "o" in lines[row + 2]
        assert "3 times" in lines[1] and all(len(line) <= 79 for line in lines)
        rig.log.append(Unlock(by="m-1", reason="the good unit was exchanged"))
        assert [challenged(rig, part) for part in (2.0, 2.1)] == ["caught", "caught"]


def test_without_a_stated_drift_it_is_a_picture_only(tmp_path: Path) -> None:
    with Rig(tmp_path) as rig:
        assert [challenged(rig, part) for part in (1.0, 2.0)] == ["caught", "caught"]
        assert rig.log.locked() is None
        assert any("drift +" in line for line in trend_lines(Records.open(Path(rig.station.records))))


def end(*values: str | None) -> dict[str, Any]:
    return {"steps": [{"name": "Step", "readings": [
        {"name": f"r{at}", "value": value, "unit": "ohm", "at_least": "1", "at_most": "3"}
        for at, value in enumerate(values)]}]}


def test_what_was_not_read_is_no_number() -> None:
    found = trends([end("1.5", None), end(None, "2"), end("2.5", None)])
    assert [(each.reading, each.values, each.drift) for each in found] == [
        ("r0", (Decimal("1.5"), Decimal("2.5")), Decimal("0.5"))]
    assert trends([]) == []


NUMBERS = st.decimals("0.001", "1000", places=3)


@given(st.lists(NUMBERS, min_size=1, max_size=6), st.one_of(st.none(), NUMBERS), st.one_of(st.none(), NUMBERS))
def test_a_chart_has_its_width_and_a_drift_is_never_missed(values: list[Decimal], low: Decimal | None,
                                                           high: Decimal | None) -> None:
    trend = Trend("s", "r", "ohm", low, high, tuple(values))
    row = chart(trend)
    assert len(row) == CHART_WIDTH + 2 and row.count("*") == 1
    if trend.drift is not None:
        assert (drifted([trend], Decimal("0.2")) is trend) is (abs(trend.drift) > Decimal("0.2"))


@pytest.mark.parametrize(("low", "high", "width"), [("1", "3", 2), (None, "3", 3), ("4", None, 4), (None, None, None),
                                                    ("2", "2", None), (None, "0", None)])
def test_the_width_of_a_band(low: str | None, high: str | None, width: int | None) -> None:
    limits = [None if each is None else Decimal(each) for each in (low, high)]
    assert Trend("s", "r", "V", *limits, (Decimal(1),)).width == width
