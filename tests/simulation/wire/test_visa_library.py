"""The library in this process, through pyvisa's own resource manager, in virtual time."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import pyvisa
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError

from eolseq.clock import VirtualClock
from eolseq.simulation.instrument import Instrument
from eolseq.simulation.visa_library import EXCHANGE, SimulatedSession, SimulatedVisa

SOCKET, SERIAL = "TCPIP0::127.0.0.1::5025::SOCKET", "ASRL/dev/ttyS1::INSTR"
ID = "ALDERVALE EXAMPLE,WT-0,0001,1.0"


class Station:
    """A resource manager over one simulated instrument at two addresses."""

    def __init__(self, instrument: Instrument) -> None:
        self.clock = VirtualClock()
        self.instrument = instrument
        self.library = SimulatedVisa({SOCKET: instrument, SERIAL: instrument}, self.clock)
        self.manager = pyvisa.ResourceManager(self.library)

    def open(self, address: str = SOCKET, timeout: int = 500) -> tuple[pyvisa.resources.MessageBasedResource, SimulatedSession]:
        """A resource as a plain script opens it, and the session behind it."""
        resource = self.manager.open_resource(address, read_termination="\n", write_termination="\n", timeout=timeout)
        assert isinstance(resource, pyvisa.resources.MessageBasedResource)
        return resource, self.library.sessions[resource.session]

    def took(self, start: float) -> float:
        """Virtual seconds since the start, to the nanosecond."""
        return round(self.clock.monotonic() - start, 9)


@pytest.fixture
def station(instrument: Instrument) -> Iterator[Station]:
    """A station, closed afterwards."""
    made = Station(instrument)
    yield made
    made.manager.close()


def code_of(error: pytest.ExceptionInfo[VisaIOError]) -> int:
    """The VISA code of an error caught."""
    return error.value.error_code


@pytest.mark.parametrize("address", [SOCKET, SERIAL, "TCPIP::127.0.0.1::5025::SOCKET"])
def test_pyvisa_opens_and_asks(station: Station, address: str) -> None:
    resource, _ = station.open(address)
    assert resource.query("*IDN?") == ID
    assert resource.query("MEAS:VOLT?;CURR?") == "+1.250000E+00;+1.250000E-03"
    assert resource.query_ascii_values("SOUR:LIST:VOLT 1;:MEAS:VOLT?") == [1.25]


def test_each_station_has_a_library_of_its_own(station: Station, bench) -> None:
    other = Station(bench.instrument())
    assert other.library is not station.library
    assert other.manager is not station.manager
    other.manager.close()
    assert station.open()[0].query("*OPC?") == "1"


def test_addresses_are_listed_without_a_search(station: Station) -> None:
    assert station.manager.list_resources("?*") == (SOCKET, SERIAL)
    assert station.manager.list_resources() == (SERIAL,)


def test_a_message_takes_one_exchange_of_clock_time(station: Station) -> None:
    resource, _ = station.open()
    start = station.clock.monotonic()
    for _ in range(10):
        resource.query("*OPC?")
    resource.write("SOUR:VOLT 5")
    assert station.took(start) == round(11 * EXCHANGE, 9)


def test_a_long_answer_comes_in_blocks(station: Station) -> None:
    resource, session = station.open()
    station.library.write(resource.session, b"*IDN?\n")
    assert session.read(10) == (ID[:10].encode(), StatusCode.success_max_count_read)
    assert session.read(100) == (ID[10:].encode() + b"\n", StatusCode.success_termination_character_read)
    resource.chunk_size = 3
    assert resource.query("*IDN?") == ID


def test_without_termination_the_bytes_that_are_there_come(station: Station) -> None:
    resource, session = station.open()
    resource.read_termination = None
    resource.write("*OPC?")
    assert session.read(100) == (b"1\n", StatusCode.success)


def test_no_answer_is_a_time_out_at_its_time_and_makes_the_session_dirty(station: Station) -> None:
    resource, session = station.open()
    station.instrument.set_fault("silent")
    start = station.clock.monotonic()
    with pytest.raises(VisaIOError) as error:
        resource.query("*OPC?")
    assert (code_of(error), station.took(start)) == (StatusCode.error_timeout, round(0.5 + EXCHANGE, 9))
    assert session.dirty
    station.instrument.set_fault(None)
    for attempt in (resource.read, lambda: resource.write("*OPC?")):
        with pytest.raises(VisaIOError) as error:
            attempt()
        assert code_of(error) == StatusCode.error_io
    resource.close()
    assert station.open()[0].query("*OPC?") == "1"


def test_a_late_answer_is_never_taken_for_the_next(station: Station) -> None:
    resource, session = station.open()
    station.instrument.set_fault("late", 0.6)
    with pytest.raises(VisaIOError):
        resource.query("MEAS:VOLT?")
    station.clock.sleep(1.0)
    assert session.waiting() == len("+1.250000E+00\n")
    with pytest.raises(VisaIOError) as error:
        resource.read()
    assert code_of(error) == StatusCode.error_io


def test_half_an_answer_is_kept_and_not_given(station: Station) -> None:
    resource, session = station.open()
    station.instrument.set_fault("truncated")
    with pytest.raises(VisaIOError) as error:
        resource.query("MEAS:VOLT?")
    assert (code_of(error), session.pending) == (StatusCode.error_timeout, b"+1.2500")


@pytest.mark.parametrize(("fault", "number", "seconds"), [("slow", None, 0.2), ("slow", 0.4, 0.4), ("late", 0.3, 0.3),
                                                          ("split", None, 0.001), ("split", 0.1, 0.1)])
def test_slow_and_split_answers_lose_nothing(station: Station, fault: str, number: float | None, seconds: float) -> None:
    resource, session = station.open()
    station.instrument.set_fault(fault, number)
    start = station.clock.monotonic()
    assert resource.query("*OPC?") == "1"
    assert station.took(start) == round(EXCHANGE + seconds, 9)
    assert not session.dirty


def test_answers_keep_their_order_when_a_fault_goes(station: Station) -> None:
    resource, _ = station.open()
    station.instrument.set_fault("slow", 0.3)
    resource.write("*OPC?")
    station.instrument.set_fault(None)
    resource.write("*ESE?")
    assert (resource.read(), resource.read()) == ("1", "0")


def test_an_abort_ends_a_blocked_read_at_once_and_is_sticky(station: Station) -> None:
    resource, session = station.open()
    station.instrument.set_fault("silent")

    def trip() -> None:
        station.clock.sleep(0.05)
        session.abort()

    station.clock.start("watcher", trip)
    start = station.clock.monotonic()
    with pytest.raises(VisaIOError) as error:
        resource.query("*OPC?")
    assert (code_of(error), station.took(start)) == (StatusCode.error_abort, 0.05)
    station.instrument.set_fault(None)
    with pytest.raises(VisaIOError) as error:
        resource.write("*OPC?")
    assert code_of(error) == StatusCode.error_abort
    assert session.write_now(b"OUTP OFF\n", 0.1) == StatusCode.success
    session.clear_abort()
    assert session.dirty, "an answer to the aborted question may still come"


def test_a_stop_line_overtakes_what_the_owner_still_waits_for(station: Station, bench) -> None:
    owner, _ = station.open()
    _, stop = station.open()
    owner.write("OUTP ON")
    station.instrument.set_fault("slow", 0.4)
    seen: list[float] = []

    def trip() -> None:
        station.clock.sleep(0.05)
        stop.write_now(b"OUTP OFF\n", 0.1)
        seen.append(station.clock.monotonic())
        assert bench.outputs[1] is False

    task = station.clock.start("watcher", trip)
    start = station.clock.monotonic()
    assert owner.query("*OPC?") == "1"
    assert task.error is None
    assert [round(instant - start, 9) for instant in seen] == [round(0.05 + EXCHANGE, 9)]


def test_what_is_on_the_wire_when_an_abort_comes_still_arrives(station: Station, bench) -> None:
    """An ON already sent acts after the watcher's OFF: whoever sends it must look at its latch again."""
    owner, session = station.open()
    _, stop = station.open()

    def trip() -> None:
        stop.write_now(b"OUTP OFF\n", 0.1)
        session.abort()

    station.clock.start("watcher", trip)
    station.clock.sleep(EXCHANGE / 2)
    owner.write("OUTP ON")
    assert bench.outputs[1] is True
    with pytest.raises(VisaIOError) as error:
        owner.query("*OPC?")
    assert code_of(error) == StatusCode.error_abort


def test_a_closed_line_is_lost_at_once_and_until_it_is_opened_afresh(station: Station) -> None:
    resource, session = station.open()
    station.instrument.set_fault("slow", 0.4)

    def cut() -> None:
        station.clock.sleep(0.05)
        station.instrument.set_fault("closed")

    station.clock.start("cut", cut)
    start = station.clock.monotonic()
    with pytest.raises(VisaIOError) as error:
        resource.query("*OPC?")
    assert (code_of(error), station.took(start)) == (StatusCode.error_connection_lost, 0.05)
    station.instrument.set_fault(None)
    assert session.lost
    assert session.write_now(b"OUTP OFF\n", 0.1) == StatusCode.error_connection_lost
    with pytest.raises(VisaIOError) as error:
        resource.write("*OPC?")
    assert code_of(error) == StatusCode.error_connection_lost
    assert station.open()[0].query("*OPC?") == "1"


def test_a_line_cut_while_a_message_travels_does_not_act(station: Station, bench) -> None:
    resource, _ = station.open()
    station.clock.start("cut", lambda: station.instrument.set_fault("closed"))
    with pytest.raises(VisaIOError):
        resource.write("OUTP ON")
    assert bench.outputs == {}


@pytest.mark.parametrize("address", [SOCKET, SERIAL])
def test_refused_and_unknown_addresses_are_not_found(station: Station, address: str) -> None:
    before, _ = station.open(address)
    station.instrument.set_fault("refused")
    for wanted in (address, "TCPIP0::127.0.0.1::9::SOCKET"):
        with pytest.raises(VisaIOError) as error:
            station.manager.open_resource(wanted)
        assert code_of(error) == StatusCode.error_resource_not_found
    assert before.query("*OPC?") == "1"


def test_an_endless_time_out_waits_until_something_ends_it(station: Station) -> None:
    resource, session = station.open()
    resource.timeout = None
    station.instrument.set_fault("late", 3000.0)
    start = station.clock.monotonic()
    assert resource.query("*OPC?") == "1"
    assert station.took(start) == round(3000 + EXCHANGE, 9)
    station.instrument.set_fault("silent")

    def trip() -> None:
        station.clock.sleep(9000)
        session.abort()

    station.clock.start("watcher", trip)
    with pytest.raises(VisaIOError) as error:
        resource.query("*OPC?")
    assert code_of(error) == StatusCode.error_abort


def test_closing_gives_everything_back(station: Station) -> None:
    resource, session = station.open()
    number = resource.session
    assert len(station.instrument.fault_listeners) == 1
    resource.close()
    assert (station.library.sessions, station.instrument.fault_listeners) == ({}, [])
    assert session.lost
    for call in (lambda: station.library.read(number, 1), lambda: station.library.write(number, b"*OPC?\n")):
        with pytest.raises(VisaIOError) as error:
            call()
        assert code_of(error) == StatusCode.error_invalid_object


def test_attributes_of_serial_lines_and_sockets(station: Station) -> None:
    serial, _ = station.open(SERIAL)
    assert isinstance(serial, pyvisa.resources.SerialInstrument)
    serial.baud_rate = 19200
    assert (serial.baud_rate, serial.data_bits, serial.resource_name) == (19200, 8, SERIAL)
    socket, _ = station.open(SOCKET)
    with pytest.raises(VisaIOError) as error:
        socket.set_visa_attribute(pyvisa.constants.ResourceAttribute.asrl_baud_rate, 9600)
    assert code_of(error) == StatusCode.error_nonsupported_attribute
