"""Program messages: a row per behaviour, with the chapter that asks for it.

Chapters of IEEE 488.2 and volume 1 of SCPI-1999 are cited from memory (M); error numbers and their texts agree with
public parser library headers and instrument manuals (S2).
"""

from __future__ import annotations

import math

import pytest

from eolseq.simulation.instrument import FAULTS, Instrument, delivery, nr1, nr2, nr3
from eolseq.simulation.status import ERROR_TEXTS, CommandError

ID = "ALDERVALE EXAMPLE,WT-0,0001,1.0"

ANSWERS = [
    # name, what the chapter asks for, bytes sent, bytes answered
    ("identity", "488.2 10.14", b"*IDN?\n", f"{ID}\n"),
    ("lower case", "488.2 7.6.1.4.1", b"*idn?\n", f"{ID}\n"),
    ("carriage return is white space", "488.2 7.4.1.2", b"*IDN?\r\n", f"{ID}\n"),
    ("short form", "SCPI 6.2.1", b"SOUR:VOLT 12;VOLT?\n", "+1.200000E+01\n"),
    ("long form", "SCPI 6.2.1", b"SOURCE:VOLTAGE 12;VOLTAGE?\n", "+1.200000E+01\n"),
    ("mixed forms and cases", "SCPI 6.2.1", b"sour:VOLTage 12;:SOURce:volt?\n", "+1.200000E+01\n"),
    ("optional node sent", "SCPI 6.2.3", b"SOUR:VOLT:LEV 12;LEV?\n", "+1.200000E+01\n"),
    ("optional first node left out", "SCPI 6.2.3", b"CURR:RANG?\n", "0.004\n"),
    ("optional nodes sent", "SCPI 6.2.3", b"SENSE:CURRENT:DC:RANGE?\n", "0.004\n"),
    ("leading colon", "SCPI 6.2.4", b":MEAS:VOLT?\n", "+1.250000E+00\n"),
    ("path carries over", "SCPI 6.2.4", b"MEAS:VOLT?;CURR?\n", "+1.250000E+00;+1.250000E-03\n"),
    ("colon goes to the root", "SCPI 6.2.4", b"MEAS:VOLT?;:SYST:VERS?\n", "+1.250000E+00;1999.0\n"),
    ("common command keeps the path", "SCPI 6.2.4", b"MEAS:VOLT?;*OPC?;CURR?\n", "+1.250000E+00;1;+1.250000E-03\n"),
    ("path does not outlive the message", "SCPI 6.2.4", b"MEAS:VOLT?\nCURR?\nSYST:ERR?\n",
     '+1.250000E+00\n-113,"Undefined header;CURR?"\n'),
    ("numeric suffix", "SCPI 6.2.5", b"OUTP2 ON;:OUTP2?;:OUTP3?;:OUTP?\n", "1;0;0\n"),
    ("suffix 1 is the default", "SCPI 6.2.5", b"OUTP ON;:OUTPUT1:STATE?\n", "1\n"),
    ("suffix 1 where none is printed", "SCPI 6.2.5", b"SOUR1:VOLT1?\n", "+0.000000E+00\n"),
    ("responses joined by semicolons", "488.2 8.4.1", b"*OPC?;*ESE?;*SRE?\n", "1;0;0\n"),
    ("several messages at once", "488.2 6.1.4", b"*OPC?\n*ESE?\n", "1\n0\n"),
    ("an empty message is no error", "488.2 7.3.1", b"\n \n\r\nSYST:ERR?\n", '0,"No error"\n'),
    ("spaces about separators", "488.2 7.4.1", b"  MEAS:VOLT? ;  CURR?  \n", "+1.250000E+00;+1.250000E-03\n"),
    ("version", "SCPI 4.2.1", b"SYST:VERS?\n", "1999.0\n"),
    ("self-test", "488.2 10.38", b"*TST?\n", "0\n"),
    ("error queue, next node sent", "SCPI 21.8", b"SYSTem:ERRor:NEXT?\n", '0,"No error"\n'),
]


@pytest.mark.parametrize(("sent", "answered"), [row[2:] for row in ANSWERS], ids=[row[0] for row in ANSWERS])
def test_answers(instrument: Instrument, sent: bytes, answered: str) -> None:
    assert instrument.receive(sent, 0.0) == answered.encode()


NUMBERS = [
    # name, chapter, parameter sent to SOURce:VOLTage or SOURce:FREQuency, value in V or Hz
    ("NR1", "488.2 7.7.2.2", b"VOLT 12", 12.0),
    ("NR2", "488.2 7.7.2.3", b"VOLT 12.5", 12.5),
    ("NR2 without leading digit", "488.2 7.7.2.3", b"VOLT .5", 0.5),
    ("NR2 without decimals", "488.2 7.7.2.3", b"VOLT 12.", 12.0),
    ("NR3", "488.2 7.7.2.4", b"VOLT 1.2E+3", 1200.0),
    ("NR3, small e, spaces", "488.2 7.7.2.4", b"VOLT 1.2 e 3", 1200.0),
    ("plus sign", "488.2 7.7.2.4", b"VOLT +7", 7.0),
    ("unit", "488.2 7.7.3", b"VOLT 7V", 7.0),
    ("kilo", "488.2 table 7-2", b"VOLT 1.5KV", 1500.0),
    ("milli", "488.2 table 7-2", b"VOLT 250 MV", 0.25),
    ("milli, lower case", "488.2 table 7-2", b"VOLT 250 mv", 0.25),
    ("micro", "488.2 table 7-2", b"VOLT 250UV", 250e-6),
    ("exponent and unit", "488.2 7.7.3", b"VOLT 1E-3KV", 1.0),
    ("mega with MA", "488.2 table 7-2", b"VOLT 0.001MAV", 1000.0),
    ("MHZ is megahertz", "488.2 table 7-1 note", b"FREQ 1.5 MHZ", 1.5e6),
    ("minimum", "SCPI 7.2.1.2", b"VOLT MIN", 0.0),
    ("maximum, long form", "SCPI 7.2.1.2", b"VOLT maximum", 5000.0),
    ("default", "SCPI 7.2.1.3", b"VOLT DEF", 100.0),
    ("hexadecimal", "488.2 7.7.4", b"VOLT #HFF", 255.0),
    ("octal", "488.2 7.7.4", b"VOLT #q17", 15.0),
    ("binary", "488.2 7.7.4", b"VOLT #B101", 5.0),
]


@pytest.mark.parametrize(("sent", "value"), [row[2:] for row in NUMBERS], ids=[row[0] for row in NUMBERS])
def test_numbers(bench, instrument: Instrument, sent: bytes, value: float) -> None:
    assert instrument.receive(b"SOUR:" + sent + b"\nSYST:ERR?\n", 0.0) == b'0,"No error"\n'
    got = bench.hertz if sent.startswith(b"FREQ") else bench.volts
    assert math.isclose(got, value, rel_tol=1e-15)


def test_milliampere_and_megohm() -> None:
    """488.2 tables 7-1 and 7-2 (M): MA is milliampere, MOHM is megohm, KOHM kilohm, UA microampere."""
    from eolseq.simulation.grammar import Parameter

    assert Parameter("5 MA").number("A") == 5e-3
    assert Parameter("5 UA").number("A") == 5e-6
    assert Parameter("2MOHM").number("OHM") == 2e6
    assert Parameter("2 kohm").number("OHM") == 2e3
    assert Parameter("100 MOHM").number("OHM") == 1e8
    assert Parameter("1.776 KV/S").number("V/S") == 1776.0


ERRORS = [
    # name, chapter, bytes sent, the error's number
    ("unknown header", "SCPI 21.8.9", b"FOO:BAR 1", -113),
    ("unknown common command", "SCPI 21.8.9", b"*FOO", -113),
    ("query of what is only a command", "SCPI 21.8.9", b"ROUT:CLOS?", -113),
    ("command of what is only a query", "SCPI 21.8.9", b"MEAS:VOLT", -113),
    ("neither short nor long form", "SCPI 6.2.1", b"SOUR:VOLTA 5", -113),
    ("suffix where there is only one", "SCPI 6.2.5", b"SOUR2:VOLT 5", -113),
    ("path that is not there", "SCPI 6.2.4", b"SOUR:VOLT 5;MEAS:VOLT?", -113),
    ("byte outside of ASCII", "488.2 7.1", b"SOUR:VOLT \xb55", -101),
    ("no header", "488.2 7.3.3", b"?", -113),
    ("bare colon", "488.2 7.6.1", b":", -102),
    ("odd letter in a header", "488.2 7.6.1", b"SOUR:VO@T 5", -102),
    ("empty unit", "488.2 7.3.1", b"SOUR:VOLT 5;;VOLT 6", -102),
    ("bracket never closed", "SCPI 8.3.2", b"ROUT:CLOS (@101", -102),
    ("mnemonic of more than 12 letters", "488.2 7.6.1.4.1", b"ABCDEFGHIJKLM 1", -112),
    ("parameter missing", "SCPI 21.8.9", b"SOUR:VOLT", -109),
    ("parameter missing after a comma", "SCPI 21.8.9", b"SOUR:LIST:VOLT 1,", -109),
    ("parameter too many", "SCPI 21.8.9", b"SOUR:VOLT 1,2", -108),
    ("parameter to a query that takes none", "SCPI 21.8.9", b"*IDN? 1", -108),
    ("word for a number", "SCPI 21.8.9", b"SOUR:VOLT HIGH", -104),
    ("string for a number", "SCPI 21.8.9", b'SOUR:VOLT "5"', -104),
    ("decimal comma is a second parameter", "488.2 7.7.2", b"SOUR:VOLT 1,5 KV", -108),
    ("number for a word", "SCPI 21.8.9", b"SOUR:FUNC 5", -104),
    ("number for a string", "SCPI 21.8.9", b"DISP:TEXT 5", -104),
    ("number for a channel list", "SCPI 8.3.2", b"ROUT:CLOS 101", -104),
    ("letters in a channel list", "SCPI 8.3.2", b"ROUT:CLOS (@1O1)", -104),
    ("empty place in a channel list", "SCPI 8.3.2", b"ROUT:CLOS (@101,,102)", -104),
    ("quote never closed", "SCPI 21.8.9", b'DISP:TEXT "open', -151),
    ("wrong unit", "SCPI 21.8.9", b"SOUR:VOLT 5 HZ", -131),
    ("no such multiplier", "SCPI 21.8.9", b"SOUR:VOLT 5 XV", -131),
    ("exponent without digits", "SCPI 21.8.9", b"SOUR:VOLT 5E", -131),
    ("unit where none is taken", "SCPI 21.8.9", b"*ESE 1 V", -138),
    ("exponent too large", "SCPI 21.8.9", b"SOUR:VOLT 1E32001", -123),
    ("too many digits", "SCPI 21.8.9", b"SOUR:VOLT " + b"1" * 256, -124),
    ("not finite", "SCPI 21.8.10", b"SOUR:VOLT 1E400", -222),
    ("above range", "SCPI 21.8.10", b"SOUR:VOLT 5001", -222),
    ("below range", "SCPI 21.8.10", b"SOUR:VOLT -1", -222),
    ("enable above 255", "488.2 10.10", b"*ESE 256", -222),
    ("enable above 16 bits", "SCPI 20.1", b"STAT:OPER:ENAB 65536", -222),
    ("word not on the list", "SCPI 21.8.10", b"SOUR:FUNC SQU", -224),
    ("neither on nor off", "SCPI 7.3", b"OUTP MAYBE", -224),
    ("minimum where there is none", "SCPI 7.2.1.2", b"SOUR:LIST:VOLT MIN", -224),
    ("too many channels", "SCPI 21.8.10", b"ROUT:CLOS (@1:99999)", -223),
    ("the instrument's own refusal", "SCPI 21.8.10", b"INIT", -213),
]


@pytest.mark.parametrize(("sent", "number"), [row[2:] for row in ERRORS], ids=[row[0] for row in ERRORS])
def test_errors(bench, instrument: Instrument, sent: bytes, number: int) -> None:
    before = bench.volts
    assert instrument.receive(sent + b"\n", 0.0) == b"" or sent.startswith(b"*IDN?")
    answer = instrument.receive(b"SYST:ERR?;ERR:COUN?\n", 0.0).decode()
    assert answer.startswith(f'{number},"{ERROR_TEXTS[number]}')
    assert answer.endswith(";0\n")
    assert bench.volts == before or b"VOLT 5;" in sent


def test_a_command_error_ends_its_message_and_an_execution_error_does_not(bench, instrument: Instrument) -> None:
    """488.2 6.1.6 and 11.5.1 (M): what comes before the error has been done; the next message is read afresh."""
    assert instrument.receive(b"SOUR:VOLT 7;FOO 1;VOLT 8\nSOUR:VOLT?\n", 0.0) == b"+7.000000E+00\n"
    assert instrument.receive(b"SOUR:VOLT 7 HZ;VOLT 8\nSOUR:VOLT?\n", 0.0) == b"+7.000000E+00\n"
    assert instrument.receive(b"SOUR:VOLT 9 KV;VOLT 8;VOLT?\n", 0.0) == b"+8.000000E+00\n"


def test_lists_words_strings_and_booleans(bench, instrument: Instrument) -> None:
    """SCPI 8.3.2 channel lists, 7.3 booleans; 488.2 7.7.5 strings with doubled quotes (M)."""
    instrument.receive(b"SOUR:LIST:VOLT 0,1.2KV, 1200 V ,0;DWEL 1,1,200MS\n", 0.0)
    assert bench.list_volts == [0, 1200, 1200, 0]
    assert bench.dwell == [1, 1, 0.2]
    for text, channels in ((b"(@101,103:105)", [101, 103, 104, 105]), (b"( @3:1)", None), (b"(@)", []),
                           (b"(@ 3 : 1 , 7 )", [3, 2, 1, 7])):
        bench.closed = [-1]
        instrument.receive(b"ROUT:CLOS " + text + b"\n", 0.0)
        assert bench.closed == ([-1] if channels is None else channels)
    for text, on in ((b"ON", True), (b"off", False), (b"1", True), (b"0", False), (b"0.4", False), (b"-3", True)):
        instrument.receive(b"OUTP " + text + b"\n", 0.0)
        assert bench.outputs[1] is on
    for text, shape in ((b"DC", "dc"), (b"SIN", "ac"), (b"dc", "dc"), (b"sinusoid", "ac")):
        instrument.receive(b"SOUR:FUNC:SHAP " + text + b"\n", 0.0)
        assert bench.shape == shape
    instrument.receive(b"""DISP:TEXT 'it''s; a "test", (so'\n""", 0.0)
    assert bench.label == """it's; a "test", (so"""


def test_bytes_may_be_split_anyhow(bench, instrument: Instrument) -> None:
    """A message is complete at its terminator, however its bytes arrive."""
    whole = b"SOUR:VOLT 12;VOLT?\n*IDN?\nMEAS:VOLT?;CURR?\n"
    expected = instrument.receive(whole, 0.0)
    for place in range(len(whole) + 1):
        line = instrument.connect()
        assert line.receive(whole[:place], 0.0) + line.receive(whole[place:], 0.0) == expected


def test_each_connection_has_a_buffer_of_its_own(instrument: Instrument) -> None:
    one, other = instrument.connect(), instrument.connect()
    assert one.receive(b"MEAS:VO", 0.0) == b""
    assert other.receive(b"*OPC?\n", 0.0) == b"1\n"
    assert one.receive(b"LT?\n", 0.0) == b"+1.250000E+00\n"


def test_a_stop_cannot_be_swallowed_by_half_a_message(bench, instrument: Instrument) -> None:
    instrument.receive(b"OUTP ON\nSOUR:LIST:VO", 0.0)
    instrument.receive(b"\nOUTP OFF\n", 0.0)
    assert bench.outputs[1] is False


def test_a_message_without_end_overruns_the_input_buffer(bench, instrument: Instrument) -> None:
    """SCPI 21.8.11 (M): -363; the rest of that message is dropped, the next one is read."""
    line = instrument.connect()
    for _ in range(20):
        assert line.receive(b"SOUR:VOLT 7;" * 1000, 0.0) == b""
    assert bench.volts == 0
    assert line.receive(b"VOLT 9\nSYST:ERR?;ERR:COUN?\n", 0.0) == b'-363,"Input buffer overrun";0\n'
    assert bench.volts == 0


def test_the_physics_is_told_the_time_before_every_message(bench, instrument: Instrument) -> None:
    bench.times.clear()
    instrument.receive(b"*OPC?\nMEAS:VOLT?\n", 7.5)
    instrument.receive(b"MEAS", 8.0)
    assert bench.times == [7.5, 7.5]


def test_response_numbers() -> None:
    """488.2 8.7.2 to 8.7.4 (M); SCPI 7.2.1.4 and 7.2.1.5: 9.9E37 and 9.91E37 (S2, several drivers)."""
    assert [nr1(5), nr1(True), nr2(1.25, 3), nr3(1480.0, 3)] == ["5", "1", "1.250", "+1.480E+03"]
    assert [float(nr3(value)) for value in (math.inf, -math.inf)] == [9.9e37, -9.9e37]
    assert [float(text) for text in (nr3(math.nan), nr2(math.nan, 2), nr2(-math.inf, 2))] == [9.91e37, 9.91e37, -9.9e37]


SPOILT = [
    ("silent", b""), ("garbled", b"~1~2~0~0~E~0~\n"), ("truncated", b"+1.2500"), ("slow", b"+1.250000E+00\n"),
    ("late", b"+1.250000E+00\n"), ("split", b"+1.250000E+00\n"), ("refused", b"+1.250000E+00\n"),
    ("closed", b"+1.250000E+00\n"), ("error-in-queue", b"+1.250000E+00\n"), ("split-at", b"+1.250000E+00\n"),
]


@pytest.mark.parametrize(("fault", "answered"), SPOILT)
def test_faults_of_the_wire_act_on_answers(instrument: Instrument, fault: str, answered: bytes) -> None:
    instrument.set_fault(fault)
    got = instrument.receive(b"MEAS:VOLT?\n", 0.0)
    expected = bytes(0x7E if place % 2 == 0 else byte for place, byte in enumerate(b"+1.250000E+00")) + b"\n"
    assert got == (expected if fault == "garbled" else answered)
    instrument.set_fault(None)
    assert instrument.receive(b"MEAS:VOLT?\n", 0.0) == b"+1.250000E+00\n"


def test_every_fault_is_tested_and_others_are_refused(instrument: Instrument) -> None:
    assert sorted(FAULTS) == sorted(name for name, _ in SPOILT)
    with pytest.raises(CommandError, match="-224"):
        instrument.set_fault("sleepy")


def test_when_answers_arrive(instrument: Instrument) -> None:
    assert delivery(instrument, b"1\n", 5.0) == [(5.0, b"1\n")]
    instrument.set_fault("slow")
    assert delivery(instrument, b"1\n", 5.0) == [(5.2, b"1\n")]
    instrument.set_fault("late", 1.0)
    assert delivery(instrument, b"1\n", 5.0) == [(6.0, b"1\n")]
    instrument.set_fault("split", 0.5)
    assert delivery(instrument, b"1\n", 5.0) == [(5.0, b"1"), (5.5, b"\n")]


@pytest.mark.parametrize("place", range(1, 16))
def test_an_answer_is_split_or_ends_at_any_byte(instrument: Instrument, place: int) -> None:
    whole = b"+1.250000E+00\n"
    instrument.set_fault("split-at", place)
    parts = delivery(instrument, instrument.receive(b"MEAS:VOLT?\n", 0.0), 5.0)
    assert b"".join(part for _, part in parts) == whole
    assert [due for due, _ in parts] == ([5.0, 5.02] if place < len(whole) else [5.0])
    assert len(parts[0][1]) == min(place, len(whole))
    instrument.set_fault("truncated", place)
    assert instrument.receive(b"MEAS:VOLT?\n", 0.0) == whole[:min(place, len(whole) - 1)], "its end never comes"


BAD_NUMBERS = [("slow", -0.1), ("late", float("nan")), ("split", float("inf")), ("split-at", 0), ("truncated", -1),
               ("error-in-queue", 1e9), ("silent", 1), ("garbled", 1), ("closed", 1), ("refused", 0)]


@pytest.mark.parametrize(("fault", "number"), BAD_NUMBERS)
def test_a_number_that_a_fault_does_not_take_is_refused(instrument: Instrument, fault: str, number: float) -> None:
    with pytest.raises(CommandError, match=r"-108|-222"):
        instrument.set_fault(fault, number)
    assert instrument.fault is None


def test_an_error_in_the_queue_comes_with_every_command_and_no_query(bench, instrument: Instrument) -> None:
    instrument.set_fault("error-in-queue")
    assert instrument.receive(b"*CLS\nSYST:ERR?;ERR?\n", 0.0) == b'-240,"Hardware error";0,"No error"\n'
    instrument.set_fault("error-in-queue", -330)
    assert instrument.receive(b"SOUR:VOLT 5\nSYST:ERR?\nSYST:ERR?\n", 0.0) == b'-330,"Self-test failed"\n0,"No error"\n'
    assert bench.volts == 5
