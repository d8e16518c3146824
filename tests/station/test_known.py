"""What a station file knows of its instruments' accuracy, and its decision rule: read exactly, or refused at its place."""

from decimal import Decimal
from pathlib import Path

import pytest

from eolseq.bands.decision import MULTIPLE, Rule
from eolseq.errors import FileMistakes
from eolseq.instruments.page import load_page
from eolseq.instruments.spans import reading_of, span_of
from eolseq.quantity import parse
from eolseq.sequence.load import load_sequence
from eolseq.station.file import Station, load_station

TEXT = Path("simulators/demo-station.yaml").read_text(encoding="utf-8")
LINE = next(line for line in TEXT.splitlines() if line.startswith("  resistance:"))
NUMBER = TEXT.splitlines().index(LINE) + 1
KNOWN = "{resistance: {accuracy: '0.05 % of reading + 2 counts, k = 2', certificate: C-118, leads: 2 mohm, " \
        "temperature: 0.1 % of reading}}"


def station(folder: Path, known: str, decision: str = "") -> Station:
    path = folder / "station.yaml"
    path.write_text(TEXT.replace(LINE, LINE.replace("}", f", uncertainty: {known}}}"))
                    .replace("\nceilings:", f"\n{decision}ceilings:"), encoding="utf-8")
    return load_station(path)


def test_everything_that_a_station_knows_of_a_reading(tmp_path: Path) -> None:
    read = station(tmp_path, KNOWN)
    known = next(each.known["resistance"] for each in read.instruments if each.name == "resistance")
    assert known.accuracy is not None and known.accuracy.coverage == 2
    assert (known.certificate, known.leads) == ("C-118", Decimal("0.002"))
    assert known.temperature is not None and known.temperature.of_reading == Decimal("0.1")
    assert all(not each.known for each in read.instruments if each.name != "resistance")


def test_a_stations_decision_rule(tmp_path: Path) -> None:
    assert station(tmp_path, KNOWN).decision is None
    told = station(tmp_path, KNOWN, "decision: {rule: guarded_by_multiple, multiple: 0.83, coverage: 1.96}\n")
    assert told.decision == Rule(MULTIPLE, coverage=Decimal("1.96"), multiple=Decimal("0.83"))


@pytest.mark.parametrize(("known", "what", "nearest"), [
    ("{resistence: {leads: 1 mohm}}", "'resistence' is not a reading of any role", "resistance"),
    ("{resistance: {leads: 1 V}}", "leads of 1 V at a reading in ohm", ""),
    ("{resistance: {leads: -1 mohm}}", "leads of -1 mohm", ""),
    ("{resistance: {leads: much}}", "'much' is not a number with a unit", ""),
    ("{resistance: {accuracy: 0.1 % of reading}}", "an accuracy without its certificate", ""),
    ("{resistance: {accuracy: very good, certificate: C-1}}", "'very good' in 'very good' is not an accuracy", ""),
    ("{resistance: {temperature: 1 degC}}", "'1 degC' is no accuracy of a reading in ohm", ""),
    ("{resistance: {lead: 1 mohm}}", "unknown key 'lead'", "leads"),
])
def test_what_it_cannot_know(tmp_path: Path, known: str, what: str, nearest: str) -> None:
    with pytest.raises(FileMistakes) as caught:
        station(tmp_path, known)
    assert len(caught.value.mistakes) == 1
    mistake = caught.value.mistakes[0]
    assert what in mistake.what and mistake.nearest == nearest
    assert mistake.place.line == NUMBER


def test_a_decision_rule_that_cannot_be(tmp_path: Path) -> None:
    with pytest.raises(FileMistakes, match="'formula' is no part of simple_acceptance"):
        station(tmp_path, KNOWN, "decision: {rule: simple_acceptance, formula: handbook}\n")


# -- in which range a reading is taken ---------------------------------------------------------------------------

TESTER = load_page(Path("drivers/wt-5.yaml"))
STEP = next(step for step in load_sequence(Path("sequences/duct-heater-6kw.yaml")).steps if step.kind == "dielectric_withstand")


def test_a_step_says_which_reading_it_takes_and_how_far_it_must_reach() -> None:
    assert reading_of(TESTER, STEP.measures(), "current", "A") == ("current_total", parse("5 mA"))
    in_phase = (("withstand_tester", "current_in_phase", parse("3 mA")),)
    assert reading_of(TESTER, in_phase, "current", "A") == ("current_in_phase", parse("3 mA"))
    span = span_of(TESTER, {}, in_phase, "current", "A", parse("2.8 mA"))
    assert span is not None and span.words == "2.5 % of reading + 10 counts" and str(span.to) == "4 mA"


def test_without_a_step_it_is_the_name_and_then_the_unit() -> None:
    assert reading_of(TESTER, (), "elapsed", "s") == ("elapsed", None)
    assert reading_of(TESTER, (), "time", "s") == ("elapsed", None)
    assert reading_of(TESTER, (), "resistance", "ohm") is None
    span = span_of(TESTER, {}, (), "current_total", "A", parse("2.8 mA"))
    assert span is not None and str(span.to) == "4 mA"


@pytest.mark.parametrize(("name", "dimension", "limit"), [
    ("current_total", "A", "41 mA"), ("resistance", "ohm", "1 ohm"), ("current_total", "A", None)])
def test_no_range_is_no_knowledge(name: str, dimension: str, limit: str | None) -> None:
    assert span_of(TESTER, {}, (), name, dimension, parse(limit) if limit else None) is None
