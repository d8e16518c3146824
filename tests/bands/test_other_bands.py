"""Motor, bond, power, setting and residual bands against published rows; every refusal says what to do."""

from decimal import Decimal

import pytest

from eolseq.bands.full_load import FULL_LOAD, full_load
from eolseq.bands.motor import NO_RULE, SupplyRule
from eolseq.errors import FileMistakes
from eolseq.quantity import parse
from tests.bands.worked import numbers, worked

NEC = [  # NEC Table 430.248, single-phase, amps at 115, 200, 208, 230 V; second-hand
    ("0.167", "4.4 2.5 2.4 2.2"), ("0.25", "5.8 3.3 3.2 2.9"), ("0.333", "7.2 4.1 4.0 3.6"), ("0.5", "9.8 5.6 5.4 4.9"),
    ("0.75", "13.8 7.9 7.6 6.9"), ("1", "16 9.2 8.8 8.0"), ("1.5", "20 11.5 11.0 10"), ("2", "24 13.8 13.2 12"),
    ("3", "34 19.6 18.7 17"), ("5", "56 32.2 30.8 28")]


@pytest.mark.parametrize(("hp", "amps"), NEC)
def test_the_full_load_table(hp: str, amps: str) -> None:
    for volts, each in zip(("115 V", "200 V", "208 V", "230 V"), amps.split(), strict=True):
        assert full_load(parse(f"{hp} hp"), parse(volts)) == (Decimal(each), Decimal(volts.split()[0]))
    assert len(FULL_LOAD) == len(NEC)
    assert abs(Decimal(amps.split()[0]) - 2 * Decimal(amps.split()[3])) <= Decimal("0.1")  # the table's own rule


def test_off_the_table_it_says_nothing() -> None:
    assert full_load(parse("0.4 hp"), parse("230 V")) is None
    assert full_load(parse("0.5 hp"), parse("277 V")) is None


MOTOR = ("{{from: rating, current: 2.4 A, above: 10 %, below: 10 %, outlet: free, speed: high, tap: black, "
         "source: nameplate{}}}")
HP = "{voltage: 240 V, frequency: 60 Hz, motor: 0.333 hp}"


def test_a_motor_band_and_what_it_says_of_itself() -> None:
    found = worked("Motor", MOTOR.format(""), HP)
    assert numbers(found) == (Decimal("2.16"), Decimal("2.64"))
    assert NO_RULE in found.working.notes  # none is published for permanent-split-capacitor fan motors
    assert any("NEC Table 430.248 (second-hand) says 3.6 A" in note and "no band" in note for note in found.working.notes)
    assert "free" in found.band.basis and "speed high" in found.band.basis and "tap black" in found.band.basis


def test_a_nameplate_far_above_the_table_is_noted_and_not_refused() -> None:
    found = worked("Motor", MOTOR.format("").replace("2.4 A", "4.2 A"), HP)
    assert any("more than the table" in note for note in found.working.notes)


def test_a_rule_for_the_supply_is_the_engineers_own() -> None:
    found = worked("Motor", MOTOR.format(", supply: {exponent: 2, source: own measurements}"))
    assert NO_RULE not in found.working.notes
    assert any("^ 2, by own measurements" in line for line in found.working.formula)
    rule = SupplyRule(parse("240 V"), Decimal(2), "own measurements")
    corrected = rule.corrected(found.band, Decimal(216))
    assert (corrected.at_least, corrected.at_most) == (parse("1.75 A"), parse("2.138 A"))  # x 0.9^2 = 0.81, inwards
    assert rule.corrected(found.band, Decimal(240)).at_least == found.band.at_least
    assert "own measurements (stated)" in corrected.basis


BOND = "{{from: row, row: {}, floor: 2 mohm, source: common practice{}}}"


@pytest.mark.parametrize(("row", "more", "ohms"), [
    # EN 50106:2008, seen: at most 0.2 ohm with the cord, or 0.1 ohm and the cord's own; others 0.1 ohm
    ("en-50106", "", "0.1"), ("en-50106-with-cord", "", "0.2"), ("en-50106-cord-added", ", cord: 40 mohm", "0.14"),
    ("en-50106", ", leads: 5 mohm", "0.105"),
    ("ul-1086", "", "0.1")])  # UL 1086 34.1, seen
def test_ground_continuity(row: str, more: str, ohms: str) -> None:
    found = worked("Earth path", BOND.format(row, more))
    assert numbers(found) == (Decimal("0.002"), Decimal(ohms))
    assert found.working.sources[0].standing == "seen"
    assert found.working.standing == "common practice"  # that of its weakest source


@pytest.mark.parametrize(("row", "more", "edits", "why"), [
    ("en-50106", "", ("current: 25 A", "current: 8 A"), "at least 10 A"),
    ("csa-c22-2-0-4", "", ("rise: 0.1 s", "rise: 0.2 s"), "at least 30 A"),
    ("en-50106-cord-added", "", ("rise: 0.1 s", "rise: 0.2 s"), "adds the cord's resistance"),
    ("en-50106", ", cord: 40 mohm", ("rise: 0.1 s", "rise: 0.2 s"), "adds no cord")])
def test_a_bond_row_that_is_not_for_this_test(row: str, more: str, edits: tuple[str, str], why: str) -> None:
    with pytest.raises(FileMistakes, match=why):
        worked("Earth path", BOND.format(row, more), "", edits)


def test_what_is_applied_lies_around_its_setting() -> None:
    found = worked("time", "{from: setting, above: 30 %, below: 0 %, source: common practice}")
    assert numbers(found) == (1, Decimal("1.3"))
    assert found.band.basis == "common practice (no source)"


REFUSED = [  # where, band, words of the mistake, words of what to do
    ("Stage 1", "{from: rating, tolerance: {row: iec-60335-1-heating}, elements: [{part: A, power: 3 kW}]}",
     "needs an alloy or a factor", "'alloy' and 'works_at'"),
    ("Stage 1", "{from: rating, tolerance: {row: iec-60335-1-heating}, elements: [{part: A, power: 3 kW, alloy: NiCr 80/20}]}",
     "no temperature at work", "'works_at'"),
    ("Stage 1", "{from: rating, tolerance: {row: iec-60335-1-heating}, elements: [{part: A, power: 3 kW, alloy: NiCr 80/20, works_at: 1250 degC}]}",
     "outside the table", "'factor'"),
    ("Stage 1", "{from: rating, tolerance: {row: iec-60335-1-heating}, elements: [{part: A, power: 3 kW, alloy: FeCrAl 13/4, works_at: 700 degC}]}",
     "between the only rows", "'factor'"),
    ("Stage 1", "{from: rating, tolerance: {row: iec-60335-1-heating}, measured_at: 25 degC, elements: [{part: A, power: 3 kW, factor: 1.02, source: x}]}",
     "holds for 20 degC", "an alloy"),
    ("Stage 1", "{from: rating, tolerance: {row: iec-60335-1-heating}, elements: [{part: A, power: 3 kW, factor: 1.02}]}",
     "needs a source", "'source'"),
    ("Stage 1", "{from: rating, tolerance: {above: 5 %}, elements: [{part: A, power: 3 kW, factor: 1.02, source: x}]}",
     "without 'below'", "'row', or"),
    ("Stage 1", "{from: rating, tolerance: {row: iec-60335-1-heating, above: 5 %}, elements: [{part: A, power: 3 kW, factor: 1.02, source: x}]}",
     "already says how much more", "no 'above'"),
    ("Stage 1", "{from: rating, tolerance: {row: iec-60335-1-heating}, connection: delta, between: star_point, elements: [{part: A, power: 3 kW, factor: 1.02, source: x}]}",
     "nothing to measure at", "lines, element"),
    ("Stage 1", "{from: rating, tolerance: {row: iec-60335-1-heating}, elements: [{part: A, power: 3 kW, factor: 1, source: x}, {part: A, power: 1 kW, factor: 1, source: x}]}",
     "stands there twice", "'number'"),
    ("Stage 1", "{from: paths, paths: [{name: winding, resistance: 90 ohm, above: 1 %, below: 1 %, winding: copper 234.5, source: x}]}",
     "without the temperature", "'at'"),
    ("Motor", MOTOR.format(", supply: {exponent: 9, source: x}"), "an exponent of 9", "from -4 to 4"),
]


@pytest.mark.parametrize(("where", "band", "what", "do"), REFUSED)
def test_what_cannot_be_worked_out_is_refused_in_its_place(where: str, band: str, what: str, do: str) -> None:
    with pytest.raises(FileMistakes) as raised:
        worked(where, band)
    assert len(raised.value.mistakes) == 1
    mistake = raised.value.mistakes[0]
    assert what in mistake.what and do in mistake.expected
    assert mistake.place.line > 20 and mistake.place.column > 5


def test_an_unsound_step_tells_its_own_mistake_only() -> None:
    with pytest.raises(FileMistakes) as raised:
        worked("Withstand", "{from: capacitance, capacitance: 4 nF, below: 10 %, above: 10 %, baseline: 1 uA, "
               "recorded: 2026-01-01, source: x}", "", ("trip: 5 mA", "trip: 5 V"))
    assert [each.what for each in raised.value.mistakes] == ["'5 V' is in V"]


def test_a_way_that_the_kind_does_not_know_is_met_with_the_nearest() -> None:
    with pytest.raises(FileMistakes, match="did you mean 'rating'"):
        worked("Stage 1", "{from: ratings, power: 3 kW}")


def test_residual_by_a_row() -> None:
    # IEC 60204-1 6.2.4, second-hand: at most 60 V within 5 s
    edit = ("residual: {after: 2 s, at_most: 60 V, basis: invented}", "residual: {from: row, row: iec-60204-1, after: 2 s}")
    assert numbers(worked("Motor", MOTOR.format(""), "", edit)) == (Decimal("2.16"), Decimal("2.64"))
    with pytest.raises(FileMistakes, match="longer than the 5 s"):
        worked("Motor", MOTOR.format(""), "", (edit[0], edit[1].replace("2 s", "6 s")))
