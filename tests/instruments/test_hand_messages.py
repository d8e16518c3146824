"""What a person types is taken apart as IEEE 488.2 and SCPI-1999 have it, and held against the driver page."""

from __future__ import annotations

from decimal import Decimal

import pytest

from eolseq.instruments.hand_messages import (
    above_ceiling,
    fixed_settings,
    numbers_in,
    only_asks,
    questions,
    settings_in,
    switches_on,
    units_of,
)
from tests.rig import PAGES

LIMITS = {"V": 2000.0, "A": 30.0}


@pytest.mark.parametrize(("message", "units"), [
    # SCPI-1999 volume 1, 6.2.4 (from memory): where a unit without a leading colon goes on
    ("MEAS:VOLT?;CURR?", ("MEAS:VOLT?", "MEAS:CURR?")),
    ("SOUR:LIST:VOLT 1,2;DWEL 3", ("SOUR:LIST:VOLT 1,2", "SOUR:LIST:DWEL 3")),
    ("MEAS:VOLT?;:STAT:OPER:COND?", ("MEAS:VOLT?", "STAT:OPER:COND?")),
    ("MEAS:VOLT?;*OPC?;CURR?", ("MEAS:VOLT?", "*OPC?", "MEAS:CURR?")),  # common commands leave the path alone
    ("  outp   on ", ("OUTP on",)),
    ('DISP:TEXT "a;b";STAT?', ('DISP:TEXT "a;b"', "DISP:STAT?")),
    (" ; ", ()),
])
def test_units_have_their_whole_paths(message: str, units: tuple[str, ...]) -> None:
    assert units_of(message) == units


@pytest.mark.parametrize(("name", "listed"), [
    ("withstand", "*IDN? SYST:ERR? MEAS:VOLT? MEAS:CURR? CALC2:DATA? MEAS:TINT? STAT:OPER:COND? STAT:QUES:COND? OUTP?"),
    ("guard", "*IDN? SYST:ERR? STAT:OPER:COND? STAT:QUES:COND?"),  # not *TRG, which feeds the watchdog
    ("resistance", "*IDN? SYST:ERR? READ?"),
])
def test_the_questions_of_a_page(name: str, listed: str) -> None:
    assert set(questions(PAGES[name])) == set(listed.split())


@pytest.mark.parametrize("name", PAGES)
def test_no_page_lets_anything_through_that_it_switches_with(name: str) -> None:
    page = PAGES[name]
    for action in page.does.values():
        for line in action.lines:
            source = getattr(line, "message", None)
            if source is not None and action.name not in ("measure", "output", "closed", "look"):
                assert not only_asks(page, source.source), source.source


@pytest.mark.parametrize("message", ["OUTP ON", "OUTP ON;*OPC?", "outp on", ":OUTP ON", "*IDN?;:INIT", "INIT"])
def test_what_energises_is_known_however_it_is_written(message: str) -> None:
    assert switches_on(PAGES["withstand"], message) and not only_asks(PAGES["withstand"], message)


@pytest.mark.parametrize("message", ["*IDN?;OUTP ON", "MEAS:VOLT?;VOLT 5", "", ";", "*RST", "OUTP", "*TST?", "*CLS;*IDN?"])
def test_what_is_more_than_a_listed_question(message: str) -> None:
    assert not only_asks(PAGES["withstand"], message)


def test_settings_are_read_out_of_the_pages_own_messages() -> None:
    page = PAGES["withstand"]
    given = settings_in(page, "SOUR:FUNC:SHAP SIN;:SOUR:LIST:VOLT 0,1230,1230,0;DWEL 0.3,1,0.2")
    assert {name: str(value) for name, value in given.items()} == {
        "type": "ac", "voltage": "1230 V", "rise": "0.3 s", "hold": "1 s", "fall": "0.2 s"}
    assert settings_in(page, "SOUR:LIST:VOLT 0,1230,1240,0") == {}, "one setting with two values is none"
    assert settings_in(page, "CALC2:LIM:UPP 0.005") == settings_in(page, "calc2:lim:upp 5e-3")
    assert settings_in(page, "CALC2:LIM:UPP 0.005")["trip_on"] == "in_phase"
    assert settings_in(page, "FOO 1") == {} and fixed_settings(page) == {}


@pytest.mark.parametrize(("text", "number"), [
    # IEEE 488.2-1992 table 7-1, as seen second-hand: K, M for milli, MA for mega
    ("9 KV", "9000"), ("9E3", "9000"), ("9 MAV", "9000000"), ("5 MA", "0.005"), ("5MV", "0.005"), ("+.5 V", "0.5"),
    ("-2.5E+1 A", "-25"), ("3 U", "0.000003"), ("12", "12")])
def test_numbers_with_their_suffixes(text: str, number: str) -> None:
    assert numbers_in(text) == [Decimal(number)]


@pytest.mark.parametrize(("message", "words"), [
    ("SOUR:VOLT 2001", "above this station's ceiling of 2000 V"), ("SOUR:VOLT 9 KV", "ceiling of 2000 V"),
    ("source:voltage:level 2.1E3", "ceiling of 2000 V"), ("SOUR:LIST:VOLT 0,5,-3000", "ceiling of 2000 V"),
    ("SOUR:CURR:PROT 31", "ceiling of 30 A"), ("SOUR:FREQ 60;VOLT MAX", ""), ("SOUR:VOLT MAXimum", "cannot be told"),
    ("SOUR:VOLT UP", "cannot be told"), ("SOUR:VOLT 2000", ""), ("SOUR:CURR 5 MA", ""), ("SOUR:VOLT?", "")])
def test_volts_and_amperes_are_held_against_the_ceilings(message: str, words: str) -> None:
    found = above_ceiling(PAGES["power"], message, LIMITS)
    assert words in found if words else (found == "" or "SOUR:VOLT MAX" in found)
