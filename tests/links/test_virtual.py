"""The same link over the in-process library, in virtual time: the rules do not depend on the wire."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest
import pyvisa

from eolseq.clock import VirtualClock
from eolseq.errors import LinkAborted, LinkFault, LinkLost, LinkNotOpen, LinkTimeout
from eolseq.instruments.link import Line, Link, open_link
from eolseq.simulation.instrument import Call, Instrument
from eolseq.simulation.visa_library import SimulatedVisa

ADDRESS = "TCPIP::127.0.0.1::5025::SOCKET"


class Bench:
    """One simulated instrument that counts: every ``MEASure:VOLTage?`` gives the next number."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.output = "0"
        numbers = itertools.count(1)
        self.instrument = Instrument("counter", "Aldervale Thermal,COUNTER,0,1",
                                     {"MEASure:VOLTage?": lambda _: str(next(numbers)), "OUTPut[:STATe]": self._switch},
                                     operation=lambda: 0, questionable=lambda: 0, reset=lambda: None,
                                     before=lambda _: None)
        self.manager = pyvisa.ResourceManager(SimulatedVisa({ADDRESS: self.instrument}, self.clock))

    def _switch(self, call: Call) -> None:
        self.output = "1" if call.parameters[0].boolean() else "0"

    def link(self) -> Link:
        return open_link(self.manager, "counter", ADDRESS, Line(second_connection=True), self.clock)

    def beside(self, after: float, work: Callable[[], None]) -> None:
        """Do something in another task so many virtual seconds from now."""
        self.clock.start("beside", lambda: (self.clock.sleep(after), work())[0])


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_a_question_is_answered_in_virtual_time(bench: Bench) -> None:
    link = bench.link()
    assert [link.ask("MEAS:VOLT?", 0.5) for _ in range(3)] == ["1", "2", "3"]
    assert 0.0 < bench.clock.monotonic() < 0.01


def test_silence_ends_at_the_deadline_to_the_millisecond(bench: Bench) -> None:
    link = bench.link()
    bench.instrument.set_fault("silent")
    with pytest.raises(LinkTimeout):
        link.ask("MEAS:VOLT?", 0.5)
    assert bench.clock.monotonic() == pytest.approx(0.5, abs=0.0015)
    bench.instrument.set_fault(None)
    with pytest.raises(LinkFault, match="opened afresh"):
        link.ask("MEAS:VOLT?", 0.5)
    link.reopen()
    assert link.ask("*OPC?", 0.5) == "1"


def test_a_late_answer_is_never_given_to_the_next_question(bench: Bench) -> None:
    link = bench.link()
    bench.instrument.set_fault("late")
    with pytest.raises(LinkTimeout):
        link.ask("MEAS:VOLT?", 0.1)
    bench.instrument.set_fault(None)
    bench.clock.sleep(60.0)
    with pytest.raises(LinkFault):
        link.ask("MEAS:VOLT?", 0.5)
    link.reopen()
    assert link.ask("MEAS:VOLT?", 0.5) == "2"


def test_an_abort_from_another_task_ends_a_wait_and_sticks(bench: Bench) -> None:
    link = bench.link()
    bench.instrument.set_fault("silent")
    bench.beside(0.05, link.abort)
    with pytest.raises(LinkAborted):
        link.ask("MEAS:VOLT?", 10.0)
    assert bench.clock.monotonic() == pytest.approx(0.05, abs=1e-6)
    bench.instrument.set_fault(None)
    link.reopen()
    with pytest.raises(LinkAborted):
        link.ask("MEAS:VOLT?", 0.5)
    link.clear_abort()
    assert link.ask("*OPC?", 0.5) == "1"


@pytest.mark.parametrize("after", [n * 0.05e-3 for n in range(12)])
def test_a_stop_line_turns_off_whenever_it_comes(bench: Bench, after: float) -> None:
    link, stop = bench.link(), bench.link()
    link.send("OUTP ON", 0.5)

    def trip() -> None:
        stop.send_off("OUTP OFF")
        link.abort()

    bench.beside(after, trip)
    with pytest.raises(LinkAborted):
        for _ in range(20):
            link.ask("MEAS:VOLT?", 0.5)
    assert bench.output == "0"


def test_a_closed_line_is_lost_and_a_refused_one_not_open(bench: Bench) -> None:
    link = bench.link()
    bench.instrument.set_fault("closed")
    with pytest.raises(LinkLost):
        link.ask("MEAS:VOLT?", 0.5)
    bench.instrument.set_fault("refused")
    with pytest.raises(LinkNotOpen):
        link.reopen()
    with pytest.raises(LinkNotOpen):
        link.send_off("OUTP OFF")
    bench.instrument.set_fault(None)
    bench.output = "1"
    link.reopen()
    assert bench.output == "0", "the OFF that could not go out goes out first"
