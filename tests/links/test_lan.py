"""Measuring instruments over HiSLIP and VXI-11 through pyvisa-py, as host,port, against small servers of our own."""

from __future__ import annotations

import dataclasses
import gc
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import pyvisa_py.tcpip

from eolseq.clock import SystemClock
from eolseq.errors import LinkLost, LinkNotOpen, LinkTimeout, StationFault
from eolseq.instruments.line import Line
from eolseq.instruments.link import open_link, resource_manager
from eolseq.instruments.page import load_page
from eolseq.instruments.plain_link import PlainLink, backend_manager
from eolseq.instruments.player import Player
from eolseq.quantity import parse
from eolseq.station.open import open_station
from tests.links.lan_servers import HislipServer, LanServer, Vxi11Server
from tests.rig import PAGES, ROOT, STATION

pytestmark = pytest.mark.real_time

REPLIES: dict[bytes, bytes | None] = {
    b"*IDN?": b"Aldervale Instruments (simulated),RM-4,SIM-0004,1.0\n", b"SYST:ERR?": b'0,"No error"\n',
    b"CONF:FRES 20.81": None, b"READ?": b"+1.8744E+01\n", b"BARE?": b"1", b"SILENT?": None}


@pytest.fixture(params=[HislipServer, Vxi11Server], ids=["hislip", "vxi-11"])
def server(request: Any) -> Iterator[Any]:
    made = request.param(REPLIES.get)
    yield made
    made.close()


@pytest.fixture
def link(server: Any) -> Iterator[PlainLink]:
    made = PlainLink(resource_manager(), "meter", server.address(), Line(), SystemClock())
    yield made
    made.close()


def test_a_page_is_played(link: PlainLink) -> None:
    player = Player("meter", load_page(ROOT / "drivers/rm-4.yaml"), link, SystemClock())
    assert player.open("SIM-0004").simulated
    player.perform("prepare", expected=parse("20.81 ohm"))
    reading = player.perform("measure").readings["resistance"]
    assert (str(reading), reading.raw) == ("18.744 ohm", "+1.8744E+01")


def test_a_message_ends_where_the_line_says(link: PlainLink) -> None:
    assert link.ask("BARE?", 1.0) == "1"


def test_after_a_time_out_nothing_is_asked_until_it_was_opened_afresh(link: PlainLink, server: LanServer) -> None:
    before = server.clears
    with pytest.raises(LinkTimeout, match="did not finish its answer within"):
        link.ask("SILENT?", 0.1)
    with pytest.raises(StationFault, match="not been opened afresh"):
        link.ask("READ?", 1.0)
    link.reopen()
    assert server.clears > before, "what was left in its queue is gone"
    assert link.ask("READ?", 1.0) == "+1.8744E+01"


def test_a_lost_line_is_a_fault(link: PlainLink, server: LanServer) -> None:
    assert link.ask("READ?", 1.0)
    server.hang_up()
    with pytest.raises((LinkLost, LinkTimeout)):
        link.ask("READ?", 0.5)
    assert link.dirty


def test_a_trip_refuses_the_answer(link: PlainLink) -> None:
    link.abort()
    with pytest.raises(StationFault, match="ended by a trip"):
        link.ask("READ?", 1.0)
    link.clear_abort()
    link.reopen()
    assert link.ask("READ?", 1.0)


@pytest.mark.parametrize("address", ["TCPIP::127.0.0.1::hislip0,{0}::INSTR", "TCPIP::127.0.0.1,{0}::inst0::INSTR"])
def test_nobody_there_is_told_at_open(address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pyvisa_py.tcpip.LOGGER, "exception", lambda *_: None)  # a kept report would keep the socket
    server = HislipServer(REPLIES.get)
    server.close()

    def call() -> None:
        with pytest.raises(LinkNotOpen, match="could not be opened"):
            PlainLink(resource_manager(), "meter", address.format(server.port), Line(), SystemClock())

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # the stack below leaves a refused socket to the collector
        call()
        gc.collect()


@pytest.mark.parametrize("name", ["withstand", "continuity", "power", "guard"])
@pytest.mark.parametrize("backend", ["", "@ivi"])
def test_what_makes_danger_or_guards_may_not_be_on_such_a_line(name: str, backend: str) -> None:
    address = "TCPIP::127.0.0.1::5025::SOCKET" if backend else "USB0::0x1234::0x5678::A1::INSTR"
    place = next(each for each in STATION.instruments if each.name == name)
    station = dataclasses.replace(STATION, instruments=(dataclasses.replace(place, backend=backend),))
    with pytest.raises(StationFault, match=f"{name}: .* may not be on the line .*cannot be ended at once"):
        open_station(station, {name: PAGES[name]}, {name: address}, resource_manager(), SystemClock())


def test_a_link_of_our_own_takes_no_such_address() -> None:
    with pytest.raises(LinkNotOpen, match="cannot be aborted"):
        open_link(resource_manager(), "meter", "USB0::0x1234::0x5678::A1::INSTR", Line(), SystemClock())


def test_a_backend_that_is_not_there_says_what_to_do() -> None:
    with pytest.raises(LinkNotOpen, match="cannot be used"):
        backend_manager("/nowhere/libvisa.so@ivi")


def test_service_requests_are_never_enabled() -> None:
    """One of them would put every later status byte of a HiSLIP session out by one."""
    words = ("enable_event", "wait_on_event", "install_handler", "*SRE")
    for path in sorted(Path(ROOT / "eolseq").rglob("*.py")):
        if "simulation" not in path.parts:
            assert not any(word in path.read_text("utf-8") for word in words), path
    assert "*SRE" not in "".join(path.read_text("utf-8") for path in (ROOT / "drivers").rglob("*.yaml"))
