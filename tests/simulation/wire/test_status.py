"""Status reporting: chapters of IEEE 488.2 and SCPI-1999 from memory (M); bits and error numbers S2 as said there."""

from __future__ import annotations

import pytest

from eolseq.simulation.instrument import Instrument
from eolseq.simulation.status import QUEUE_LENGTH, Status


def ask(instrument: Instrument, message: str) -> str:
    """The answer to one message, without its terminator."""
    return instrument.receive(message.encode() + b"\n", 0.0).decode().rstrip("\n")


def test_power_on_sets_bit_7_once(bench) -> None:
    """488.2 11.5.1.1.2 (M); bit number S2."""
    fresh = bench.instrument()
    assert [ask(fresh, "*ESR?"), ask(fresh, "*ESR?")] == ["128", "0"]


@pytest.mark.parametrize(("message", "bit"), [
    ("FOO", 32), ("SOUR:VOLT 9999", 16), ("*IDN?;*OPC?", 4), ("*OPC", 1),
])
def test_errors_set_their_bit_of_the_event_status_register(instrument: Instrument, message: str, bit: int) -> None:
    """488.2 11.5.1 (bits S2); classes of errors SCPI 21.8.9 to 21.8.12 (M, -4xx S2)."""
    ask(instrument, message)
    assert ask(instrument, "*ESR?") == str(bit)


@pytest.mark.parametrize(("number", "bit"), [(-100, 32), (-199, 32), (-200, 16), (-299, 16), (-300, 8), (-350, 8),
                                             (-399, 8), (-400, 4), (-440, 4), (101, 8)])
def test_classes_of_errors(number: int, bit: int) -> None:
    """Which hundred sets which bit: -4xx S2, the others M; positive numbers are device-dependent."""
    status = Status(lambda: 0, lambda: 0)
    status.take_events()
    status.add_error(number)
    assert status.take_events() == bit


def test_error_queue_is_first_in_first_out_and_overflows(instrument: Instrument) -> None:
    """SCPI 21.8.1 (queue S2): on overflow the last entry becomes -350, and nothing is added until there is room."""
    ask(instrument, "FOO")
    for _ in range(QUEUE_LENGTH + 5):
        ask(instrument, "SOUR:VOLT 9999")
    assert ask(instrument, "SYST:ERR:COUN?") == str(QUEUE_LENGTH)
    answers = [ask(instrument, "SYST:ERR?") for _ in range(QUEUE_LENGTH + 1)]
    assert answers[0] == '-113,"Undefined header;FOO"'
    assert set(answers[1:-2]) == {'-222,"Data out of range"'}
    assert answers[-2:] == ['-350,"Queue overflow"', '0,"No error"']


def test_status_byte(bench, instrument: Instrument) -> None:
    """488.2 11.2 and SCPI 20.1 (bits S2): each summary bit, and bit 6 by what is enabled."""
    assert ask(instrument, "*STB?") == "0"
    ask(instrument, "SOUR:VOLT 9999")
    assert ask(instrument, "*STB?") == "4"
    ask(instrument, "*CLS")
    ask(instrument, "*ESE 16;:SOUR:VOLT 9999")
    assert ask(instrument, "*STB?") == str(4 + 32)
    ask(instrument, "*SRE 255")
    assert ask(instrument, "*SRE?") == "191"
    assert ask(instrument, "*STB?") == str(4 + 32 + 64)
    ask(instrument, "*CLS;*SRE 0;:STAT:QUES:ENAB 2;:STAT:OPER:ENAB 16")
    bench.work, bench.doubt = 16, 2
    assert ask(instrument, "*STB?") == str(8 + 128)
    assert ask(instrument, "*ESE?;*STB?") == f"16;{8 + 16 + 128}"


def test_message_available_is_of_the_message_being_answered(instrument: Instrument) -> None:
    """488.2 11.2.1.2 (M): over a stream an answer is gone at the end of its message."""
    assert ask(instrument, "*OPC?;*STB?") == "1;16"
    assert ask(instrument, "*STB?") == "0"


def test_events_latch_and_conditions_do_not(bench, instrument: Instrument) -> None:
    """SCPI 20.1.4 to 20.1.7 (M): a condition that rises is kept as an event until it is read."""
    bench.work = 8
    assert ask(instrument, "STAT:OPER:COND?") == "8"
    bench.work = 16
    assert ask(instrument, "STAT:OPER:COND?;EVEN?;EVEN?") == "16;24;0"
    bench.work = 0
    assert ask(instrument, "STAT:OPER:COND?;:STAT:OPER?") == "0;0"
    bench.doubt = 2
    instrument.look()
    bench.doubt = 0
    assert ask(instrument, "STATus:QUEStionable:EVENt?") == "2"


def test_an_event_needs_a_new_rise(bench, instrument: Instrument) -> None:
    bench.doubt = 2
    assert ask(instrument, "STAT:QUES?;:STAT:QUES?") == "2;0"
    assert ask(instrument, "*CLS;:STAT:QUES?") == "0"
    bench.doubt = 0
    ask(instrument, "*OPC?")
    bench.doubt = 2
    assert ask(instrument, "STAT:QUES?") == "2"


def test_clear_reset_and_preset_touch_what_they_should(bench, instrument: Instrument) -> None:
    """488.2 10.3 and 10.32, SCPI 20.2 (M): *CLS keeps what is enabled, *RST keeps status, PRESet disables."""
    ask(instrument, "*ESE 60;*SRE 32;:STAT:OPER:ENAB 8;:STAT:QUES:ENAB 4;:SOUR:VOLT 5;:FOO")
    ask(instrument, "*RST")
    assert bench.resets == 1
    assert bench.volts == 0
    assert ask(instrument, "SYST:ERR:COUN?;:STAT:OPER:ENAB?;:STAT:QUES:ENAB?") == "1;8;4"
    ask(instrument, "*CLS")
    assert ask(instrument, "SYST:ERR:COUN?;*ESR?;*ESE?;*SRE?;:STAT:OPER:ENAB?") == "0;0;60;32;8"
    ask(instrument, "STAT:PRES")
    assert ask(instrument, "STAT:OPER:ENAB?;:STAT:QUES:ENAB?;*ESE?") == "0;0;60"


def test_enabling_leaves_out_bit_15(instrument: Instrument) -> None:
    """SCPI 20.1 (M): bit 15 of these registers is never used."""
    assert ask(instrument, "STAT:OPER:ENAB 65535;ENAB?") == "32767"


def test_a_query_after_an_indefinite_answer_is_unterminated(instrument: Instrument) -> None:
    """488.2 6.3.2.3 and 10.14 (M; number S2): nothing can be asked after *IDN? in one message."""
    assert ask(instrument, "*IDN?;*OPC?") == "ALDERVALE EXAMPLE,WT-0,0001,1.0"
    assert ask(instrument, "SYST:ERR?") == '-440,"Query UNTERMINATED after indefinite response"'


def test_mandatory_commands_are_all_there(instrument: Instrument) -> None:
    """The 13 of IEEE 488.2 10.2 (S2) and those of SCPI-1999 4.2.1 (M)."""
    for message in ("*CLS", "*ESE 0", "*ESE?", "*ESR?", "*IDN?", "*OPC", "*OPC?", "*RST", "*SRE 0", "*SRE?", "*STB?",
                    "*TST?", "*WAI", "SYST:ERR?", "SYST:VERS?", "STAT:OPER?", "STAT:OPER:COND?", "STAT:OPER:ENAB 0",
                    "STAT:OPER:ENAB?", "STAT:QUES?", "STAT:QUES:COND?", "STAT:QUES:ENAB 0", "STAT:QUES:ENAB?",
                    "STAT:PRES"):
        answer = ask(instrument, message)
        assert bool(answer) is message.endswith("?"), message
    assert ask(instrument, "SYST:ERR:COUN?") == "0"
