"""Two-wire ground continuity: the fixture's zero is taken off, and anything wrong with it means no voltage."""

from __future__ import annotations

import dataclasses
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.bands.band import NO_ANSWER, Outcome, Reading
from eolseq.bands.zero import FixtureZero, less_zero
from eolseq.engine.judging import judge_evidence
from eolseq.errors import FileMistakes, StationFault
from eolseq.quantity import Quantity, parse
from eolseq.sequence.findings import fits_station
from eolseq.sequence.load import read_sequence
from eolseq.station.file import load_station
from eolseq.steps.ground_continuity import GroundContinuity
from tests.bands.worked import SOUND
from tests.steps.fakes import FakeBench
from tests.steps.test_ground_continuity import STEP, a_tester

TWO_WIRE = dataclasses.replace(STEP, zero="nest-1")


def zero(*, good_until: str = "2026-02-01", taken: str = "2026-01-01", points: tuple[str, ...] = STEP.points,
         ohms: str = "50 mohm") -> FixtureZero:
    """A zero of the fixture, good on the virtual clock's first day, 5 January 2026."""
    return FixtureZero("nest-1", "SP-1", date.fromisoformat(taken), date.fromisoformat(good_until),
                       {point: parse(ohms) for point in points})


def bench(ohms: Any, known: FixtureZero | None = None) -> FakeBench:
    return FakeBench({"continuity_tester": a_tester(ohms)}, zeros={"nest-1": known or zero()})


@pytest.mark.parametrize(("ohms", "outcome"), [
    # leads of 50 mohm before 2 to 100 mohm of the unit
    ("0.150", Outcome.PASS), ("0.151", Outcome.FAIL), ("0.052", Outcome.PASS), ("0.051", Outcome.FAIL),
    ("open", Outcome.FAIL), ("garbled", Outcome.FAULT)])
def test_the_zero_is_taken_off_before_the_reading_is_judged(ohms: str, outcome: Outcome) -> None:
    evidence = TWO_WIRE.run(bench(ohms))
    assert judge_evidence(evidence).outcome is outcome
    assert evidence.readings[0].reading.raw == ohms  # the instrument's own text stays
    assert "less 50 mohm, the zero of nest-1 on SP-1, 2026-01-01" in evidence.readings[0].band.basis


def test_a_four_wire_step_asks_for_no_zero() -> None:
    evidence = STEP.run(FakeBench({"continuity_tester": a_tester(0.03)}))
    assert "zero" not in evidence.readings[0].band.basis
    assert STEP.settings_for_log()["wires"] == "four" and "zero" not in STEP.settings_for_log()
    assert (TWO_WIRE.settings_for_log()["wires"], TWO_WIRE.settings_for_log()["zero"]) == ("two", "nest-1")


def test_less_than_the_leads_alone_is_a_fault_of_the_station() -> None:
    with pytest.raises(StationFault, match="less than the 50 mohm of the leads alone"):
        TWO_WIRE.run(bench("0.049"))


@pytest.mark.parametrize(("known", "why"), [
    (zero(good_until="2026-01-04"), "is good from 2026-01-01 to 2026-01-04, and today is 2026-01-05"),
    (zero(taken="2026-01-06"), "and today is 2026-01-05"),
    (zero(points=STEP.points[:-1]), "has no point control-box")])
def test_a_zero_that_is_not_good_means_no_voltage(known: FixtureZero, why: str) -> None:
    used = bench("0.08", known)
    with pytest.raises(StationFault, match=why) as raised:
        TWO_WIRE.run(used)
    assert "shorting piece, with no unit connected" in raised.value.do
    assert used.did == []


def test_the_last_day_is_a_good_day() -> None:
    assert judge_evidence(TWO_WIRE.run(bench("0.08", zero(good_until="2026-01-05")))).outcome is Outcome.PASS


@given(st.decimals(0, 1, places=6), st.decimals("0.0001", 1, places=6))
def test_what_is_left_and_the_zero_make_the_reading(read: Decimal, leads: Decimal) -> None:
    reading = Reading("resistance", read, "ohm", "raw", time=1.5)
    if read < leads:
        with pytest.raises(StationFault):
            less_zero(reading, Quantity(leads, "ohm"))
        return
    left = less_zero(reading, Quantity(leads, "ohm"))
    assert left.value is not None and left.value + leads == read
    assert (left.name, left.raw, left.time) == ("resistance", "raw", 1.5)


def test_nothing_measured_stays_nothing_measured() -> None:
    missing = Reading("resistance", None, "ohm", special=NO_ANSWER)
    assert less_zero(missing, parse("50 mohm")) == missing


# -- files ----------------------------------------------------------------------------------------------------


def from_file(wires: str) -> GroundContinuity:
    sequence = read_sequence(SOUND.replace("    wires: four\n", wires).encode(), Path("changed.yaml"))
    return next(step for step in sequence.steps if isinstance(step, GroundContinuity))


def test_two_wires_in_a_sequence() -> None:
    assert from_file("    wires: two\n    zero: nest-1\n").zero == "nest-1"
    assert from_file("    wires: four\n").zero == ""
    with pytest.raises(FileMistakes, match="two wires without a zero"):
        from_file("    wires: two\n")
    with pytest.raises(FileMistakes, match="a zero in a four-wire step"):
        from_file("    wires: four\n    zero: nest-1\n")


ZEROS = """zeros:
  nest-1: {shorting_piece: SP-1, unit_connected: no, taken: 2026-01-01, good_until: 2026-02-01, at_least: 10 mohm,
           at_most: 60 mohm, points: {front-panel: 31 mohm}}
"""


def station(tmp_path: Path, zeros: str) -> dict[str, FixtureZero]:
    path = tmp_path / "station.yaml"
    text = Path("simulators/demo-station.yaml").read_text(encoding="utf-8")
    path.write_text(text.rstrip() + "\n" + zeros, encoding="utf-8")
    return dict(load_station(path).zeros)


def test_zeros_in_a_station_file(tmp_path: Path) -> None:
    found = station(tmp_path, ZEROS)["nest-1"]
    assert found.at("front-panel", date(2026, 1, 15)) == parse("31 mohm")
    assert station(tmp_path, "") == {}


@pytest.mark.parametrize(("old", "new", "why"), [
    ("unit_connected: no", "unit_connected: yes", "'yes' is not a word known here"),
    ("31 mohm", "61 mohm", "lies outside its own band"),
    ("31 mohm", "9 mohm", "lies outside its own band"),
    ("at_least: 10 mohm", "at_least: 70 mohm", "is above at_most"),
    ("good_until: 2026-02-01", "good_until: 2026-01-01", "good for no day"),
    ("{front-panel: 31 mohm}", "{}", "nothing is named here"),
    ("31 mohm", "0 ohm", "outside what is possible")])
def test_a_zero_that_cannot_be(tmp_path: Path, old: str, new: str, why: str) -> None:
    assert old in ZEROS
    with pytest.raises(FileMistakes, match=why):
        station(tmp_path, ZEROS.replace(old, new))


def test_a_station_without_the_zero_is_found_by_check() -> None:
    source = SOUND.replace("    wires: four\n", "    wires: two\n    zero: nest-1\n").encode()
    sequence = read_sequence(source, Path("changed.yaml"))

    def found(zeros: dict[str, FixtureZero]) -> list[str]:
        placed = dataclasses.replace(load_station(Path("simulators/demo-station.yaml")), zeros=zeros)
        return [each.sentence for each in fits_station(sequence, placed, {}) if each.code == "no-zero"]

    assert "fixture 'nest-1' for panel, frame" in found({})[0]
    assert "fixture 'nest-1' for frame;" in found({"nest-1": zero(points=("panel",))})[0]
    assert found({"nest-1": zero(points=("panel", "frame"))}) == []
