"""What is read out of replies: exact digits or no number at all."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from eolseq.bands.band import ABOVE_RANGE, BELOW_RANGE, NO_ANSWER, NOT_A_NUMBER
from eolseq.errors import InstrumentFault
from eolseq.instruments.replies import Flags, Frame, Meanings, Words, compile_frame

READINGS = {"voltage": "V", "resistance": "ohm"}
MEANINGS = Meanings(READINGS, {"work": Flags({3: "rising", 4: "holding"})},
                    {"state": Words({"W": frozenset({"rising"}), "R": frozenset()})},
                    {"OL": ABOVE_RANGE, "-OL": BELOW_RANGE, "----": NO_ANSWER, "9999.9": ABOVE_RANGE})
COMMA = Meanings(READINGS, {}, {}, {"OL": ABOVE_RANGE}, decimal_comma=True)


def frame(source: str, meanings: Meanings = MEANINGS) -> Frame:
    problems: list[str] = []
    made = compile_frame(source, meanings, lambda what, expected, near: problems.append(what))
    assert made is not None, problems
    return made


def value_of(source: str, text: str, meanings: Meanings = MEANINGS) -> tuple[Decimal | None, str, str]:
    (reading,) = frame(source, meanings).read(text, "meter", 1.5).readings.values()
    assert reading.time == 1.5
    assert reading.instrument == "meter"
    return reading.value, reading.unit, reading.special


# SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5: infinity 9.9E37, not-a-number 9.91E37 (second-hand: several drivers quote it).
@pytest.mark.parametrize(("text", "value", "special"), [
    ("+1.23400E+03", "1234.00", ""),
    ("1480", "1480", ""),
    ("1480.", "1480", ""),
    (".5", "0.5", ""),
    ("-0.010", "-0.010", ""),
    ("  12.50 ", "12.50", ""),
    ("1e-3", "0.001", ""),
    ("9.9E37", None, ABOVE_RANGE),
    ("+9.900000E+37", None, ABOVE_RANGE),
    ("9.89999995E+37", None, ABOVE_RANGE),    # 9.9E37 in single precision
    ("-9.9E+37", None, BELOW_RANGE),
    ("9.91E37", None, NOT_A_NUMBER),
    ("9.91000004E+37", None, NOT_A_NUMBER),   # 9.91E37 in single precision
    ("-9.91E37", None, NOT_A_NUMBER),
    ("1E38", None, NOT_A_NUMBER),
    ("1E+99", None, NOT_A_NUMBER),
    ("1E+999", None, NOT_A_NUMBER),
    ("", None, NOT_A_NUMBER),
    ("NAN", None, NOT_A_NUMBER),
    ("NaN", None, NOT_A_NUMBER),
    ("INF", None, NOT_A_NUMBER),
    ("Infinity", None, NOT_A_NUMBER),
    ("ERROR", None, NOT_A_NUMBER),
    ("1_000", None, NOT_A_NUMBER),
    ("1,5", None, NOT_A_NUMBER),
    ("1.5.2", None, NOT_A_NUMBER),
    ("12;13", None, NOT_A_NUMBER),
    ("12 V", None, NOT_A_NUMBER),
    ("0x10", None, NOT_A_NUMBER),
    ("1E", None, NOT_A_NUMBER),
    ("--5", None, NOT_A_NUMBER),
    ("\t5", None, NOT_A_NUMBER),
    ("5\x1c", None, NOT_A_NUMBER),            # white space to Python's strip
    ("\u0661\u0662", None, NOT_A_NUMBER),     # digits, but of another script
    ("OL", None, ABOVE_RANGE),
    ("-OL", None, BELOW_RANGE),
    ("----", None, NO_ANSWER),
    ("9999.9", None, ABOVE_RANGE),            # a number by which this page's instrument says overflow
])
def test_numbers(text: str, value: str | None, special: str) -> None:
    expected = None if value is None else Decimal(value)
    assert value_of("{voltage:V}", text) == (expected, "V", special)


def test_digits_are_kept_as_sent() -> None:
    value, _, _ = value_of("{voltage:V}", "+1.230000E+03")
    assert str(value) == "1230.000"
    answer = frame("{voltage:V}").read(" +1.230000E+03", "meter", 0.0)
    assert answer.readings["voltage"].raw == "+1.230000E+03"


def test_a_factor_is_exact() -> None:
    assert value_of("R= {resistance:0.1 mohm}", "R=   251") == (Decimal("25.1"), "mohm", "")
    assert value_of("R= {resistance:0.1 mohm}", "R= OL") == (None, "mohm", ABOVE_RANGE)
    assert value_of("R= {resistance:0.1 mohm}", "OL") == (None, "mohm", ABOVE_RANGE)


def test_decimal_comma() -> None:
    assert value_of("{voltage:V}", "230,4", COMMA) == (Decimal("230.4"), "V", "")
    assert value_of("{voltage:V}", "230.4", COMMA) == (None, "V", NOT_A_NUMBER)
    assert value_of("{voltage:V} V", "1.230,4 V", COMMA) == (None, "V", NOT_A_NUMBER)


def test_bits_and_words() -> None:
    answer = frame("{voltage:V};{work:bits};{state:word}").read("1;24;W", "meter", 0.0)
    assert answer.flags == {"rising", "holding"}
    assert frame("{work:bits}").read("+16", "meter", 0.0).flags == {"holding"}
    assert frame("{state:word}").read("R", "meter", 0.0).flags == frozenset()
    assert frame("{work:bits};{state:word}").flags == {"rising", "holding"}


@pytest.mark.parametrize(("source", "text"), [
    ("{voltage:V};{work:bits}", "12"),
    ("{voltage:V};{work:bits}", "12;"),
    ("{voltage:V};{work:bits}", "OL"),        # nothing is known of the bits
    ("{work:bits}", "-1"),
    ("{work:bits}", "16.0"),
    ("{work:bits}", "OL"),
    ("{work:bits}", "1E1"),
    ("{state:word}", "X"),
    ("{state:word}", ""),
    ("1", "0"),
    ("1", "11"),
    ("1", ""),
    ("R= {resistance:mohm}", "R=25"),
    ("R= {resistance:mohm}", ""),
    ("{n:integer}", "1.0"),
    ("{c:channels}", "101"),
    ("{c:channels}", "(@101,)"),
    ("{c:channels}", "(@1e3)"),
    ("{c:channels}", "(@1:999999)"),
])
def test_what_does_not_fit_is_a_fault(source: str, text: str) -> None:
    with pytest.raises(InstrumentFault):
        frame(source).read(text, "meter", 0.0)


@pytest.mark.parametrize(("text", "channels"), [
    ("(@)", set()), ("(@101)", {101}), ("(@101,111)", {101, 111}), ("(@101,103:105)", {101, 103, 104, 105}),
    ("(@ 101 , 102)", {101, 102}),
])
def test_channel_lists(text: str, channels: set[int]) -> None:  # SCPI-1999 volume 1, 8.3.2 (from memory)
    assert frame("{c:channels}").read(text, "switches", 0.0).channels == channels


def test_texts() -> None:
    made = frame("{code:integer},{words:text}")
    assert made.texts('-113,"Undefined header;A,B"') == {"code": "-113", "words": '"Undefined header;A,B"'}
    for text in ("x,y", "1", ""):
        with pytest.raises(InstrumentFault):
            made.texts(text)


def plain_number(text: str) -> float | None:
    """An independent reader: what a careful person would accept as the number sent, by Python's own float."""
    text = text.strip(" ")
    if text == "9999.9" or not set(text) <= set("0123456789+-.eE"):
        return None
    try:
        return float(text)
    except ValueError:
        return None


@given(st.one_of(st.text(alphabet="0123456789+-.eE ,;OLNaIf_\t\x00\u0661", max_size=14), st.text(max_size=10),
                 st.binary(max_size=12).map(lambda raw: raw.decode("latin-1")), st.floats().map(str),
                 st.decimals().map(str)))
@example("9.9E37")
@example("\t5")
@example("5\n")
@example("5\x1c")
def test_a_number_is_never_invented(text: str) -> None:
    try:
        answer = frame("{voltage:V}").read(text, "meter", 0.0)
    except InstrumentFault:
        return
    reading = answer.readings["voltage"]
    if reading.value is None:
        assert reading.special
    else:
        assert plain_number(text) == pytest.approx(float(reading.value), rel=1e-12)
        assert abs(reading.value) < Decimal("1E37")


@given(st.text(alphabet="0123456789+-.eE ,;(@):OL\n", max_size=30))
def test_any_reply_to_a_full_frame(text: str) -> None:
    made = frame("{voltage:V};{work:bits};{c:channels}")
    try:
        answer = made.read(text, "meter", 0.0)
    except InstrumentFault as error:
        assert error.do
        return
    fields = text.split(";")
    assert len(fields) == 3
    number = answer.readings["voltage"].value
    if number is not None:
        assert plain_number(fields[0]) == pytest.approx(float(number), rel=1e-12)


@given(st.decimals(allow_nan=False, allow_infinity=False, min_value=-10**9, max_value=10**9, places=6))
def test_every_plain_number_comes_through_exactly(number: Decimal) -> None:
    assert value_of("{voltage:V}", f"{number:f}")[0] == number
    assert value_of("{voltage:V}", f"{number:f}".replace(".", ","), COMMA)[0] == number
