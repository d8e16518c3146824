"""Modbus on the line: our side against frames from the published documents, the simulated side against pymodbus's client.

Frames marked (M) are those of the Modbus application protocol 1.1b3 and Modbus over serial line 1.02, from memory.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client import ModbusSerialClient, ModbusTcpClient

from eolseq.clock import SystemClock
from eolseq.errors import InstrumentFault, LinkAborted, LinkLost, LinkTimeout
from eolseq.instruments.any_page import load_any_page
from eolseq.instruments.line import Line
from eolseq.instruments.link import resource_manager
from eolseq.instruments.modbus import Modbus, rest_between_frames
from eolseq.instruments.register_player import RegisterPlayer
from eolseq.quantity import parse
from eolseq.simulation.instrument import Instrument
from eolseq.simulation.registers import RegisterInstrument, checksum
from tests.benches import changed_bench
from tests.links.peers import Peer, TcpPeer, TerminalPeer
from tests.rig import ROOT
from tests.served import serving

pytestmark = pytest.mark.real_time


def tcp(number: int, device: int, pdu: str) -> bytes:
    data = bytes([device]) + bytes.fromhex(pdu)
    return number.to_bytes(2, "big") + b"\0\0" + len(data).to_bytes(2, "big") + data


def rtu(device: int, pdu: str) -> bytes:
    data = bytes([device]) + bytes.fromhex(pdu)
    return data + checksum(data)


def framed(peer: Peer, pdu: str, number: int = 1, device: int = 1) -> bytes:
    return tcp(number, device, pdu) if isinstance(peer, TcpPeer) else rtu(device, pdu)


class Asked:
    """A device at a peer; ``ask`` answers one request with the given bytes and keeps the request."""

    def __init__(self, peer: Peer) -> None:
        self.peer = peer
        self.modbus = Modbus(resource_manager(), "device", peer.address, Line(), SystemClock(), 1)
        peer.take()
        self.request = b""

    def ask(self, reply: bytes, work: Any) -> Any:
        def answer() -> None:
            self.request = self.peer.hear()
            if reply:
                self.peer.say(reply)

        thread = threading.Thread(target=answer)
        thread.start()
        try:
            return work(self.modbus)
        finally:
            thread.join(5.0)


@pytest.fixture(params=[TcpPeer, TerminalPeer], ids=["tcp", "serial"])
def device(request: Any) -> Iterator[Asked]:
    made = Asked(request.param())
    yield made
    made.modbus.link.close()
    made.peer.close()


def test_the_checksum_is_the_published_one() -> None:
    """CRC-16/MODBUS of "123456789" is 0x4B37, sent low byte first (catalogue of parametrised CRCs, M)."""
    assert checksum(b"123456789") == bytes.fromhex("374B")


def test_the_rest_between_frames() -> None:
    """3.5 characters of 11 bits; fixed at 1.75 ms above 19200 baud (Modbus over serial line 1.02, 2.5.1.1, M)."""
    assert rest_between_frames(9600) == pytest.approx(0.00401, abs=1e-5)
    assert rest_between_frames(115200) == 0.00175


EXCHANGES = {
    # name: (what is asked, request, reply, what it says); examples of chapter 6 of the application protocol (M)
    "6.1 coils": (lambda m: m.read("coil", 19, 19, 1.0), "0100130013", "0103CD6B05",
                  [1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1]),
    "6.2 discrete inputs": (lambda m: m.read("discrete", 196, 22, 1.0), "0200C40016", "0203ACDB35",
                            [0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1]),
    "6.3 holding registers": (lambda m: m.read("holding", 107, 3, 1.0), "03006B0003", "0306022B00000064", [555, 0, 100]),
    "6.4 input registers": (lambda m: m.read("input", 8, 1, 1.0), "0400080001", "0402000A", [10]),
    "6.5 one coil": (lambda m: m.write("coil", 172, [1], 1.0), "0500ACFF00", "0500ACFF00", None),
    "6.6 one register": (lambda m: m.write("holding", 1, [3], 1.0), "0600010003", "0600010003", None),
    "6.12 registers": (lambda m: m.write("holding", 1, [10, 258], 1.0), "100001000204000A0102", "1000010002", None),
}


@pytest.mark.parametrize(("work", "request_", "reply", "says"), EXCHANGES.values(), ids=EXCHANGES.keys())
def test_the_examples_of_the_protocol(device: Asked, work: Any, request_: str, reply: str, says: Any) -> None:
    assert device.ask(framed(device.peer, reply), work) == says
    assert device.request == framed(device.peer, request_)


def read(modbus: Modbus) -> list[int]:
    return modbus.read("input", 8, 1, 0.3)


WRONG = {
    # name: (reply on TCP, reply on a serial line); every one a fault, and the line is not used before it was reopened
    "of another device": (tcp(1, 2, "0402000A"), rtu(2, "0402000A")),
    "of another function": (tcp(1, 1, "0302000A"), rtu(1, "0302000A")),
    "of an earlier request, or spoilt": (tcp(9, 1, "0402000A"), rtu(1, "0402000A")[:-1] + b"\0"),
    "torn": (tcp(1, 1, "0402000A")[:-1], rtu(1, "0402000A")[:-1]),
    "too few registers": (tcp(1, 1, "0400"), rtu(1, "0400")),
    "too many registers": (tcp(1, 1, "0404000A000B"), rtu(1, "0404000A000B")),
    "no frame at all": (b"HTTP/1.1 400 Bad\r\n", b"\xff\xff\xff\xff\xff\xff"),
    "silence": (b"", b""),
}


@pytest.mark.parametrize(("on_tcp", "on_serial"), WRONG.values(), ids=WRONG.keys())
def test_a_wrong_reply_is_a_fault_and_never_registers(device: Asked, on_tcp: bytes, on_serial: bytes) -> None:
    with pytest.raises(InstrumentFault):
        device.ask(on_tcp if isinstance(device.peer, TcpPeer) else on_serial, read)


def test_a_refusal_says_why_and_leaves_the_line_usable(device: Asked) -> None:
    with pytest.raises(InstrumentFault, match="device refuses: it has no such register"):
        device.ask(framed(device.peer, "8402"), read)
    assert device.ask(framed(device.peer, "0402000A", 2), read) == [10]


def test_a_write_that_is_confirmed_otherwise_is_a_fault(device: Asked) -> None:
    with pytest.raises(InstrumentFault, match="confirms something else"):
        device.ask(framed(device.peer, "0600010004"), lambda m: m.write("holding", 1, [3], 0.3))


def test_after_a_time_out_the_late_reply_is_never_given(device: Asked) -> None:
    with pytest.raises(LinkTimeout):
        device.ask(b"", read)
    device.peer.say(framed(device.peer, "0402000B"))
    with pytest.raises(InstrumentFault, match="not been opened afresh"):
        read(device.modbus)


def test_an_abort_ends_the_wait(device: Asked) -> None:
    timer = threading.Timer(0.05, device.modbus.link.abort)
    timer.start()
    with pytest.raises(LinkAborted):
        device.modbus.read("input", 8, 1, 5.0)
    timer.join()


def test_a_peer_that_goes_is_told(device: Asked) -> None:
    device.peer.hang_up()
    with pytest.raises((LinkLost, LinkTimeout)):
        read(device.modbus)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Any, dict[str, str]]]:
    """The simulated bench with registers: the guard unit over TCP, the power meter over a serial line."""
    simulator, _ = changed_bench(tmp_path_factory.mktemp("bench"), "input", "guard")
    with serving(simulator) as (world, addresses):
        yield world, addresses


def test_the_simulated_guard_unit_answers_another_client(bench: tuple[Any, dict[str, str]]) -> None:
    world, addresses = bench
    client = ModbusTcpClient("127.0.0.1", port=int(addresses["guard"].split("::")[2]), retries=0)
    try:
        assert client.connect()
        text = b"".join(each.to_bytes(2, "big") for each in client.read_input_registers(20, count=8).registers)
        assert text.strip() == b"GU-8"
        world.open_guard("both")
        assert client.read_discrete_inputs(0, count=2).bits[:2] == [False, False]
        world.close_guard("both")
        assert client.read_discrete_inputs(0, count=2).bits[:2] == [True, True]
        assert not client.write_register(10, 50).isError() and world.guard.timer == 0.5
        assert client.read_holding_registers(10, count=1).registers == [50]
        assert client.write_register(10, 0).exception_code == 3
        assert client.write_coil(9, True).exception_code == 2
        assert client.read_input_registers(40, count=1).exception_code == 2
        assert client.write_coils(1, [True]).isError() is False and world.guard.locked
        client.write_coil(1, False)
    finally:
        client.close()


def test_the_simulated_power_meter_answers_another_client(bench: tuple[Any, dict[str, str]]) -> None:
    port = bench[1]["input"].removeprefix("ASRL").removesuffix("::INSTR")
    client = ModbusSerialClient(port, baudrate=19200, retries=0)
    try:
        assert client.connect()
        found = client.read_input_registers(20, count=16, device_id=1).registers
        assert b"".join(each.to_bytes(2, "big") for each in found).split() == [b"PM-8", b"SIM-0009"]
        assert len(client.read_input_registers(100, count=6, device_id=1).registers) == 6
    finally:
        client.close()


@pytest.mark.parametrize(("name", "page"), [("guard", "gu-8"), ("input", "pm-8")])
def test_the_pages_are_played_over_real_lines(bench: tuple[Any, dict[str, str]], name: str, page: str) -> None:
    sheet: Any = load_any_page(ROOT / f"drivers/registers/{page}.yaml")
    clock = SystemClock()
    modbus = Modbus(resource_manager(), name, bench[1][name], sheet.line, clock, 1)
    try:
        player = RegisterPlayer(name, sheet, modbus, clock)
        identity = player.open()
        assert identity.simulated and identity.model == sheet.model
        if name == "guard":
            player.perform("prepare", watchdog=parse("300 ms"))
            assert {"contact_a", "contact_b"} <= player.perform("look").flags
        else:
            answer = player.perform("measure")
            assert {each.unit for each in answer.readings.values()} == {"V", "mA", "W"}
            assert all(each.value is not None for each in answer.readings.values())
        bench[0].set_fault("silent", name)
        with pytest.raises(LinkTimeout):
            player.perform("look" if name == "guard" else "measure")
        bench[0].clear_faults()
        player.perform("look" if name == "guard" else "measure")
    finally:
        modbus.link.close()


def instrument(serial: bool) -> Instrument:
    made = RegisterInstrument("any", "A,B,C,D", {}, operation=None, questionable=None, reset=lambda: None,
                              before=lambda _: None)
    made.serial = serial
    made.tables = lambda: {"input": {0: 1}, "coil": {0: 1}}
    return made


@given(st.binary(max_size=300), st.booleans())
def test_any_bytes_leave_the_simulated_side_alive(data: bytes, serial: bool) -> None:
    connection = instrument(serial).connect()
    connection.receive(data, 0.0)
    request = rtu(1, "0400000001") if serial else tcp(1, 1, "0400000001")
    answers = [connection.receive(request, 1.0) for _ in range(40)]
    if serial:
        assert answers[-1] == rtu(1, "04020001")
    else:
        assert len(connection._buffer) <= 260, "a head that is wrong cannot make it wait for ever"
