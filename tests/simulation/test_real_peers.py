"""Programs and libraries of others speak to the simulated bench over its real sockets and lines, and read the same.

Nothing of this program is on their side: lxi, socat and mbpoll are Debian's tools (run where they are there;
continuous integration brings them), stock pyvisa has sessions of its own, the client class is a general one for any instrument that
speaks SCPI over a socket, and pymodbus has its own codec. All instruments and numbers are invented demo data.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pymodbus.client
import pytest
import pyvisa
import scpi_core

from tests.benches import changed_bench
from tests.rig import SIMULATOR
from tests.served import serving

pytestmark = pytest.mark.real_lines

Ask = Callable[[str, str], str]
"""Asks the instrument at a VISA address something; its answer without the end, "" for a message that asks nothing."""

PATIENCE = 10.0
INFINITE = "9.9E+37"
IDENTITY = "Aldervale Instruments (simulated),{model},{serial},1.0"


def host_and_port(address: str) -> tuple[str, int]:
    """Of the address of a socket."""
    _, host, port, _ = address.split("::")
    return host, int(port)


def by_lxi(address: str, message: str) -> str:
    """The command of lxi-tools, once for each message."""
    host, port = host_and_port(address)
    done = subprocess.run(["lxi", "scpi", "-a", host, "-p", str(port), "-r", "-t", "5", message], capture_output=True, text=True,
                          timeout=PATIENCE, check=True)
    assert done.stderr == ""
    return done.stdout.strip()


def by_socat(address: str, message: str) -> str:
    """Standard input and output tied to the socket or the line; socat's own wait ends it."""
    end = "TCP:" + ":".join(map(str, host_and_port(address))) if address.startswith("TCPIP") else \
        address.removeprefix("ASRL").removesuffix("::INSTR") + ",raw,echo=0"
    done = subprocess.run(["socat", "-t", "0.3", "-", end], input=message + "\n", capture_output=True, text=True,
                          timeout=PATIENCE, check=True)
    return done.stdout.strip()


def by_pyvisa(address: str, message: str) -> str:
    """Stock pyvisa over pyvisa-py, with its own sessions."""
    manager = pyvisa.ResourceManager("@py")
    try:
        with manager.open_resource(address, read_termination="\n", write_termination="\n") as line:
            assert isinstance(line, pyvisa.resources.MessageBasedResource)
            if "?" in message:
                return line.query(message)
            line.write(message)
            return ""
    finally:
        manager.close()


def by_client(address: str, message: str) -> str:
    """A general client class for SCPI over a socket."""
    with scpi_core.ScpiDevice(scpi_core.TcpTransport(*host_and_port(address), timeout=PATIENCE)) as device:
        if "?" in message:
            return str(device.query(message))
        device.command(message)
        return ""


PEERS: dict[str, Ask] = {"stock pyvisa": by_pyvisa, "client class": by_client}
PEERS |= {name: ask for name, ask in (("lxi", by_lxi), ("socat", by_socat)) if shutil.which(name)}
OVER_SERIAL = [name for name in PEERS if name in ("stock pyvisa", "socat")]

STORY = [
    # instrument, message, answer; in this order, each over a connection of its own
    ("withstand", "*IDN?", IDENTITY.format(model="WT-5", serial="SIM-0001")),
    ("withstand", "*CLS", ""),
    ("withstand", "SOUR:VOLT:MODE LIST;:SOUR:LIST:VOLT 0,1.23KV,1230,0;DWEL 0.3,1,200MS", ""),
    ("withstand", "sour:volt 100", ""),
    ("withstand", "source:voltage:level?", "+1.000000E+02"),
    ("withstand", "FOO:BAR 1", ""),
    ("withstand", "SOUR:VOLT 9 KV", ""),
    ("withstand", "*ESR?", "48"),  # a command error and an execution error
    ("withstand", "SYST:ERR:COUN?", "2"),
    ("withstand", "SYST:ERR?", '-113,"Undefined header;FOO:BAR"'),
    ("withstand", "SYST:ERR?", '-222,"Data out of range"'),
    ("withstand", "SYST:ERR?", '0,"No error"'),
    ("withstand", "OUTP?;*OPC?", "0;1"),
    ("switching", "ROUT:CLOS (@122,101)", ""),
    ("switching", "ROUT:CLOS? (@101,102,122)", "1,0,1"),
    ("resistance", "CONF:FRES 20.81", ""),
    ("guard", "STAT:OPER:COND?;*STB?", "0;16"),
]


def test_every_peer_that_is_here_is_used() -> None:
    assert {"stock pyvisa", "client class"} <= set(PEERS) and OVER_SERIAL


@pytest.fixture(scope="module")
def told() -> Iterator[dict[str, str]]:
    """What stage 1 of the first unit reads, by peer: each has a fresh bench whose noise begins alike."""
    yield {}


@pytest.mark.parametrize("peer", PEERS)
def test_a_peer_is_answered_as_the_standards_say(peer: str, told: dict[str, str]) -> None:
    ask = PEERS[peer]
    with serving(SIMULATOR) as (_, addresses):
        for instrument, message, answer in STORY:
            assert ask(addresses[instrument], message) == answer, message
        deadline = time.monotonic() + PATIENCE
        while (reading := ask(addresses["resistance"], "READ?")) == INFINITE and time.monotonic() < deadline:
            pass  # the contactor follows its coil
        told[peer] = reading
    assert 18.5 < float(told[peer]) < 19.0
    assert len(set(told.values())) == 1, "the same unit reads the same, whoever asks"


@pytest.mark.parametrize("peer", OVER_SERIAL)
def test_a_peer_is_answered_over_a_serial_line(peer: str) -> None:
    with serving(SIMULATOR) as (_, addresses):
        address = addresses["continuity"]
        assert PEERS[peer](address, "*IDN?") == IDENTITY.format(model="CT-30", serial="SIM-0002")
        assert PEERS[peer](address, "SOUR:CURR 25;CURR?") == "+2.500000E+01"
        assert PEERS[peer](address, "SYST:ERR?") == '0,"No error"'


def test_the_client_class_uses_the_common_commands() -> None:
    """IEEE 488.2 chapter 10 (S2), by the methods that the class has for them."""
    with serving(SIMULATOR) as (_, addresses), \
            scpi_core.ScpiDevice(scpi_core.TcpTransport(*host_and_port(addresses["power"]), timeout=PATIENCE)) as device:
        assert device.idn() == IDENTITY.format(model="PS-9", serial="SIM-0003")
        assert device.opc() and device.self_test() == 0 and device.check_error() is None
        device.command("SOUR:VOLT 240;FREQ 50")
        device.wait()
        assert device.query_float("SOUR:VOLT?") == 240.0 and device.query_int("*ESR?") == 128  # power on, and no error
        assert device.query_bool("OUTP?") is False
        device.reset()
        assert device.query_float("SOUR:VOLT?") == 0.0 and device.query_float("SOUR:FREQ?") == 60.0
        device.command("SOUR:VOLT 9E9")
        assert device.check_error() == '-222,"Data out of range"'
        device.command("FOO")
        device.clear_status()
        assert device.check_error() is None


@pytest.mark.parametrize("fault", ["silent", "late", "truncated", "closed"])
def test_the_client_class_sees_a_fault_as_one(fault: str) -> None:
    with serving(SIMULATOR) as (world, addresses):
        transport = scpi_core.TcpTransport(*host_and_port(addresses["current"]), timeout=0.3)
        world.set_fault(fault, "current")
        with pytest.raises(scpi_core.ScpiError), scpi_core.ScpiDevice(transport) as device:
            device.query("READ?")
        world.clear_faults()
        with scpi_core.ScpiDevice(scpi_core.TcpTransport(*host_and_port(addresses["current"]))) as device:
            assert device.query_float("READ?") == 0.0, "nothing flows, and nothing old is answered"


# -- registers ------------------------------------------------------------------------------------------------------


def text_of(registers: list[int]) -> str:
    """Two characters a register, high byte first."""
    return b"".join(each.to_bytes(2, "big") for each in registers).decode("ascii").strip()


def test_a_modbus_client_of_others_works_the_register_guard_unit(tmp_path: Path) -> None:
    """Functions 1, 2, 3, 4, 5, 6 and a refusal, by pymodbus's own client and codec."""
    simulator, _ = changed_bench(tmp_path, "guard")
    with serving(simulator) as (world, addresses):
        client = pymodbus.client.ModbusTcpClient("127.0.0.1", port=host_and_port(addresses["guard"])[1], timeout=PATIENCE)
        try:
            assert client.connect()
            assert text_of(client.read_input_registers(0, count=20).registers) == "Aldervale Instruments (simulated)"
            world.guard.closes_by_itself = False
            world.close_guard()
            assert client.read_discrete_inputs(0, count=7).bits[:7] == [True, True, False, False, False, False, True]
            assert not client.write_register(10, 150).isError()
            assert client.read_holding_registers(10, count=1).registers == [150] and world.guard.timer == 1.5
            assert not client.write_coil(2, True).isError()  # a pulse of the watchdog
            assert not client.write_coil(0, True).isError()
            assert world.guard.contactor and client.read_coils(0, count=2).bits[:2] == [True, False]
            refused = client.read_input_registers(4000, count=1)
            assert refused.isError() and refused.exception_code == 2
        finally:
            client.close()


def test_a_modbus_client_of_others_reads_the_register_power_meter(tmp_path: Path) -> None:
    simulator, _ = changed_bench(tmp_path, "input")
    with serving(simulator) as (_, addresses):
        address = addresses["input"]
        port = address.removeprefix("ASRL").removesuffix("::INSTR")
        client = pymodbus.client.ModbusSerialClient(port, baudrate=9600, timeout=PATIENCE) if address.startswith("ASRL") \
            else pymodbus.client.ModbusTcpClient("127.0.0.1", port=host_and_port(address)[1], timeout=PATIENCE)
        try:
            assert client.connect()
            assert text_of(client.read_input_registers(0, count=20).registers) == "Aldervale Instruments (simulated)"
            assert client.read_input_registers(100, count=6).registers == [0] * 6  # V, A and W of a unit that is not fed
        finally:
            client.close()


def by_mbpoll(address: str, *options: str, write: int | None = None) -> dict[int, int]:
    """The command of mbpoll, once: what it read, by reference; nothing where it wrote."""
    ends = address.startswith("TCPIP")
    line = ["-m", "tcp", "-p", str(host_and_port(address)[1])] if ends else ["-m", "rtu", "-b", "9600", "-P", "none"]
    device = "127.0.0.1" if ends else address.removeprefix("ASRL").removesuffix("::INSTR")
    values = [] if write is None else [str(write)]
    done = subprocess.run(["mbpoll", *line, "-0", "-1", "-q", "-o", "2", *options, device, *values], capture_output=True, text=True,
                          timeout=PATIENCE, check=True)
    return {int(at): int(value) for at, value in re.findall(r"^\[(\d+)\]:\s+(-?\d+)", done.stdout, re.M)}


@pytest.mark.skipif(shutil.which("mbpoll") is None, reason="mbpoll is not here; continuous integration brings it")
def test_mbpoll_works_the_register_guard_unit(tmp_path: Path) -> None:
    """Functions 1 to 6 as mbpoll has them, over TCP."""
    simulator, _ = changed_bench(tmp_path, "guard")
    with serving(simulator) as (world, addresses):
        address = addresses["guard"]
        who = by_mbpoll(address, "-t", "3", "-r", "0", "-c", "20")
        assert text_of([who[at] for at in range(20)]) == "Aldervale Instruments (simulated)"
        world.guard.closes_by_itself = False
        world.close_guard()
        assert list(by_mbpoll(address, "-t", "1", "-r", "0", "-c", "7").values()) == [1, 1, 0, 0, 0, 0, 1]
        by_mbpoll(address, "-t", "4", "-r", "10", write=150)
        assert by_mbpoll(address, "-t", "4", "-r", "10", "-c", "1") == {10: 150} and world.guard.timer == 1.5
        by_mbpoll(address, "-t", "0", "-r", "2", write=1)  # a pulse of the watchdog
        by_mbpoll(address, "-t", "0", "-r", "0", write=1)
        assert by_mbpoll(address, "-t", "0", "-r", "0", "-c", "2") == {0: 1, 1: 0}
        with pytest.raises(subprocess.CalledProcessError):
            by_mbpoll(address, "-t", "3", "-r", "4000", "-c", "1")


@pytest.mark.skipif(shutil.which("mbpoll") is None, reason="mbpoll is not here; continuous integration brings it")
def test_mbpoll_reads_the_register_power_meter_on_its_serial_line(tmp_path: Path) -> None:
    simulator, _ = changed_bench(tmp_path, "input")
    with serving(simulator) as (_, addresses):
        who = by_mbpoll(addresses["input"], "-t", "3", "-r", "0", "-c", "20")
        assert text_of([who[at] for at in range(20)]) == "Aldervale Instruments (simulated)"
        assert by_mbpoll(addresses["input"], "-t", "3", "-r", "100", "-c", "6") == dict.fromkeys(range(100, 106), 0)
