"""Register pages: the shipped ones, bad ones as a named table, and what registers can and cannot say."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.clock import VirtualClock
from eolseq.errors import FileMistakes, InstrumentFault, LinkTimeout, StationFault
from eolseq.instruments.any_page import load_any_page
from eolseq.instruments.register_model import Register, RegisterPage, Value, shortest, whole
from eolseq.instruments.register_page import load_register_page
from eolseq.instruments.register_player import RegisterPlayer
from eolseq.instruments.roles import ROLES
from eolseq.quantity import Quantity, parse
from tests.instruments.fake_link import DRIVERS

PAGES = sorted((DRIVERS / "registers").glob("*.yaml"))


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.stem)
def test_page(path: Path) -> None:
    page = load_any_page(path)
    assert isinstance(page, RegisterPage) and page.model.lower() == path.stem
    assert "invented, for the demo" in path.read_text("utf-8").lower()
    assert set(page.does) == set(ROLES[page.role].does) and not ROLES[page.role].danger
    assert len(page.digest) == 64 and page.line.baud >= 19200


def test_a_look_over_a_serial_line_is_counted() -> None:
    page = load_any_page(DRIVERS / "registers/gu-8.yaml")
    assert page.look_letters() == 16 + 8 + 5 + 1  # a coil written and confirmed; 7 bits asked for and given


BAD = {
    # name: (page, old, new, line:column, words, nearest)
    "a source": ("pm-8", "role: power_meter", "role: power_source", "5:7", "'power_source' is not a word known here", "power_meter"),
    "unknown table": ("pm-8", "  measured:   # in one request, so that they belong to one acquisition\n    table: input",
                      "  measured:\n    table: inputs", "34:12", "'inputs' is not a word known here", "input"),
    "unknown key": ("pm-8", "    count: 6\n", "    cuont: 6\n", "36:5", "unknown key 'cuont'", "count"),
    "too many": ("pm-8", "    count: 6\n", "    count: 126\n", "36:12", "126 of 'input' from 100 on", ""),
    "past the end": ("pm-8", "    at: 100\n", "    at: 65535\n", "36:12", "6 of 'input' from 65535 on", ""),
    "outside its block": ("pm-8", "watts: {at: 104,", "watts: {at: 105,", "40:19", "it does not lie in its block", ""),
    "no such reading": ("pm-8", "      watts: {at", "      watt: {at", "40:7", "'watt' is not a reading of this role", "watts"),
    "wrong dimension": ("pm-8", "as: uint32, in: mA", "as: uint32, in: mV", "39:46", "'current_rms' is in mV here", ""),
    "no such form": ("pm-8", "volts: {at: 100, as: uint32", "volts: {at: 100, as: uint23", "38:28", "'uint23'", "uint32"),
    "factor of nothing": ("pm-8", "factor: 0.1,", "factor: 0,", "40:51", "a factor of nothing or less", ""),
    "reading not given": ("pm-8", "{read: measured}", "{read: who}", "44:3", "'measure' never gives the reading 'volts'", ""),
    "no such block": ("pm-8", "{read: measured}", "{read: mesured}", "44:20", "'mesured' is not described under 'reads'",
                      "measured"),
    "no serial number": ("pm-8", "      serial: {at", "      number: {at", "7:18", "'who' has no text 'serial'", ""),
    "flag of a register": ("gu-8", "contact_a: 0,", "contact_a: 0.1,", "26:24", "is a bit of a register and no single", ""),
    "no place of a bit": ("gu-8", "contact_a: 0,", "contact_a: x,", "26:24", "'x' is no place of a bit", ""),
    "flag outside": ("gu-8", "green: 6}", "green: 7}", "26:97", "it does not lie in its block", ""),
    "flag never given": ("gu-8", "red: 5, ", "", "38:3", "'look' never gives the flag 'red'", ""),
    "input written": ("gu-8", "  permit: {table: coil", "  permit: {table: discrete", "30:19", "'discrete' cannot be written", ""),
    "coil of two": ("gu-8", "lock_on: {table: coil, at: 1, value: 1}", "lock_on: {table: coil, at: 1, value: 2}", "32:40",
                    "a coil cannot be 2", ""),
    "no value": ("gu-8", "pulse: {table: coil, at: 2, value: 1}", "pulse: {table: coil, at: 2}", "34:10",
                 "'pulse' is no setting of this role, and has no 'value'", ""),
    "setting without a form": ("gu-8", "as: uint16, in: s, factor: 0.01}", "in: s, factor: 0.01}", "29:13",
                               "'as' is missing beside the setting 'watchdog'", ""),
    "setting that does not fit": ("gu-8", "factor: 0.01}", "factor: 0.0001}", "29:13", "the most of 'watchdog', 10 s", ""),
    "setting between counts": ("gu-8", "factor: 0.01}", "factor: 0.04}", "29:13", "the least of 'watchdog', 0.05 s", ""),
    "setting never written": ("gu-8", "prepare: [{write: watchdog}]", "prepare: [{write: pulse}]", "37:3",
                              "'prepare' never writes the setting 'watchdog'", ""),
    "two things in a line": ("gu-8", "lock: [{write: lock_on}]", "lock: [{write: lock_on, read: state}]", "39:10",
                             "a line with read and write", ""),
    "wait without until": ("gu-8", "lock: [{write: lock_on}]", "lock: [{wait: state, within: 1 s}]", "39:10",
                           "'until' is missing beside 'wait'", ""),
    "wait for what never comes": ("gu-8", "lock: [{write: lock_on}]",
                                  'lock: [{wait: state, until: [{lokced: "on"}], within: 1 s}]', "39:33",
                                  "'state' has no flag 'lokced'", "locked"),
    "action missing": ("gu-8", "  unlock: [{write: lock_off}]\n", "", "37:3", "the action 'unlock' is missing", ""),
}


@pytest.mark.parametrize(("page", "old", "new", "place", "words", "near"), BAD.values(), ids=BAD.keys())
def test_bad_pages(page: str, old: str, new: str, place: str, words: str, near: str, tmp_path: Path) -> None:
    source = (DRIVERS / f"registers/{page}.yaml").read_text("utf-8")
    assert source.count(old) == 1
    path = tmp_path / "page.yaml"
    path.write_text(source.replace(old, new), "utf-8")
    with pytest.raises(FileMistakes) as caught:
        load_register_page(path)
    found = {f"{each.place.line}:{each.place.column}": each for each in caught.value.mistakes if words in each.what}
    assert place in found, [str(each) for each in caught.value.mistakes]
    assert found[place].nearest == near


# Registers and numbers.

@given(st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_the_shortest_decimal_is_the_same_float(number: float) -> None:
    assert struct.pack(">f", float(shortest(number))) == struct.pack(">f", number)


@given(st.integers(-2**31, 2**31 - 1), st.booleans())
def test_what_is_written_is_what_is_read(number: int, low_first: bool) -> None:
    register = Register("any", "holding", 0, "int32", "V")
    assert whole(register.registers(number, low_first), "int32", low_first) == number


@given(st.decimals(min_value=-1000, max_value=1000, places=3))
def test_a_setting_is_a_whole_count_or_refused(volts: Decimal) -> None:
    number = Register("any", "holding", 0, "int16", "V", Decimal("0.1")).number(Quantity(volts, "V"))
    assert number is None or number * Decimal("0.1") == volts
    assert (number is None) == (volts * 10 != int(volts * 10))


SAID = {
    # name: (form, registers, factor, value or why none); IEEE 754 single precision: 0x42F70000 is 123.5
    "unsigned": ("uint16", [0xFFFE], "1", "65534"), "signed": ("int16", [0xFFFE], "1", "-2"),
    "factor": ("uint32", [0x0001, 0x0000], "0.01", "655.36"), "float": ("float32", [0x42F7, 0x0000], "1", "123.5"),
    "float of a tenth": ("float32", [0x3DCC, 0xCCCD], "1", "0.100000"), "nan": ("float32", [0x7FC0, 0], "1", "not a number"),
    "infinity": ("float32", [0x7F80, 0], "1", "above range"), "-infinity": ("float32", [0xFF80, 0], "1", "below range"),
    "9.9E37": ("float32", list(struct.unpack(">HH", struct.pack(">f", 9.9e37))), "1", "above range"),
    "none": ("uint16", [0x8000], "1", "no reading"), "above": ("uint16", [0x7FFF], "1", "above range"),
}


@pytest.mark.parametrize(("form", "registers", "factor", "says"), SAID.values(), ids=SAID.keys())
def test_what_registers_say(form: str, registers: Sequence[int], factor: str, says: str) -> None:
    value = Value("volts", 0, form, "V", Decimal(factor), frozenset([0x8000]), frozenset([0x7FFF]))
    reading = value.reading(registers, False, "any", 0.0)
    assert reading.special == says if reading.value is None else reading.value == Decimal(says)
    assert reading.raw == "0x" + "".join(f"{each:04X}" for each in registers)


# The player.

class Device:
    """A device on paper: it keeps what was written, and answers from tables."""

    dirty = False

    def __init__(self, model: str = "PM-8") -> None:
        texts = [("A (simulated)", 20), (model, 8), ("P-1", 8), ("1.0", 4)]
        data = b"".join(text.encode().ljust(2 * count) for text, count in texts)
        self.input = list(struct.unpack(">40H", data)) + [0] * 60 + [0, 23987, 0, 25713, 0, 61672]
        self.discrete = [1, 1, 0, 0, 0, 0, 1]
        self.written: list[tuple[str, int, list[int]]] = []
        self.failing = 0
        self.reopened = 0

    @property
    def link(self) -> Any:
        return self

    def read(self, table: str, at: int, count: int, within: float) -> list[int]:
        if self.failing:
            self.failing -= 1
            raise LinkTimeout("No answer came in time.", "Look at it.")
        return list(getattr(self, table)[at:at + count])

    def write(self, table: str, at: int, values: Sequence[int], within: float) -> None:
        self.written.append((table, at, list(values)))

    def tell_wait(self, seconds: float) -> None:
        """Nobody traces."""

    def reopen(self) -> None:
        self.reopened += 1

    def abort(self) -> None:
        """Nobody waits."""

    def clear_abort(self) -> None:
        """Nobody waits."""


def played(page: str, device: Device) -> RegisterPlayer:
    return RegisterPlayer("bench", load_register_page(DRIVERS / f"registers/{page}.yaml"), device, VirtualClock())


def test_a_power_meter() -> None:
    player = played("pm-8", Device())
    identity = player.open("P-1")
    assert (identity.maker, identity.model, identity.serial, identity.simulated) == ("A (simulated)", "PM-8", "P-1", True)
    readings = player.perform("measure").readings
    assert [str(each) for each in readings.values()] == ["239.87 V", "25713 mA", "6167.2 W"]
    with pytest.raises(StationFault, match="above 20000 W"):
        player.perform("prepare", expected=parse("21 kW"))
    with pytest.raises(StationFault, match="has no action 'look'"):
        player.perform("look")


def test_a_guard_unit() -> None:
    device = Device("GU-8")
    player = played("gu-8", device)
    player.open()
    player.perform("prepare", watchdog=parse("300 ms"))
    assert player.perform("look").flags == {"contact_a", "contact_b", "green"}
    for action in ("lock", "contactor_on", "contactor_off", "unlock"):
        player.perform(action)
    assert device.written == [("holding", 10, [30]), ("coil", 2, [1]), ("coil", 1, [1]), ("coil", 0, [1]), ("coil", 0, [0]),
                              ("coil", 1, [0])]
    with pytest.raises(StationFault, match="between two steps"):
        player.perform("prepare", watchdog=parse("305 ms"))


def test_after_a_time_out_the_identity_comes_first() -> None:
    device = Device()
    player = played("pm-8", device)
    player.open()
    device.failing = 1
    with pytest.raises(LinkTimeout):
        player.perform("measure")
    assert player.perform("measure").readings["watts"].value == Decimal("6167.2") and device.reopened == 1
    device.failing = 1
    with pytest.raises(LinkTimeout):
        player.perform("measure")
    device.input[28] += 1
    with pytest.raises(InstrumentFault, match="reports the identity"):
        player.perform("measure")


def test_another_model_or_serial_number_is_refused() -> None:
    with pytest.raises(InstrumentFault, match="reports the model 'PM-9', not 'PM-8'"):
        played("pm-8", Device("PM-9")).open()
    with pytest.raises(InstrumentFault, match="reports the serial number 'P-1', not 'P-2'"):
        played("pm-8", Device()).open("P-2")
