"""A plain pyvisa script gets the same readings from the simulated station as the driver pages do.

The script is hand-written, knows nothing of the program and uses stock sessions; long, short and compound headers are
the forms of SCPI-1999 volume 1, 6.2 (from memory). Every simulated station begins with the same unit and the same
noise, so that what does not change with time must agree to the last digit, whoever asks.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

from eolseq.clock import SystemClock
from eolseq.instruments.link import open_link, resource_manager
from eolseq.instruments.page import load_page
from eolseq.instruments.player import Permit, Player
from eolseq.instruments.roles import Answer
from eolseq.quantity import Quantity, parse
from tests.safety.real import PATIENCE, ROOT, Simulator, loaded
from tests.simulation.plain_script import FORMS, settled

pytestmark = pytest.mark.real_lines

SCRIPT = Path(__file__).with_name("plain_script.py")
NO_ERROR = '0,"No error"'
CHANGING = "settled amps"  # the motor's current goes on falling a little, and is asked for at other moments: within 10 mA


@pytest.fixture(scope="module")
def simulator() -> Iterator[Simulator]:
    """A station of its own for whoever asks, with the guard closed."""
    made = guarded()
    yield made
    made.close()


def guarded() -> Simulator:
    """A simulated station whose guard is closed."""
    made = Simulator()
    made.order(closes_by_itself=False, close="both")
    made.catch_up()
    return made


class Pages:
    """The same work by the program's driver pages, over the program's own lines."""

    def __init__(self, addresses: Mapping[str, str]) -> None:
        station, manager, clock = loaded(ROOT / "simulators/demo-station.yaml"), resource_manager(), SystemClock()
        self.by_name: dict[str, Player] = {}
        for name, each in station["instruments"].items():
            page = load_page(ROOT / each["page"])
            self.by_name[name] = Player(name, page, open_link(manager, name, addresses[name], page.line, clock), clock)
            self.by_name[name].open(each["serial"])

    def close_relays(self, *channels: int) -> None:
        """Close relays."""
        for channel in channels:
            self.by_name["switching"].perform("close", channel=channel)

    def perform(self, name: str, action: str, **settings: str) -> Answer:
        """An action, its settings written as a sequence writes them."""
        return self.by_name[name].perform(action, **{key: setting(value) for key, value in settings.items()})

    def energise(self, name: str) -> None:
        """Switch a source on, past the door: here is no unit and no danger, only this file's simulator."""
        self.by_name[name].perform("energise", permit=Permit(self.by_name[name].role))

    def hold(self, name: str) -> None:
        """Wait until the instrument says that it holds."""
        while not int(self.by_name[name].link.ask("STAT:OPER:COND?", 1.0)) & 16:
            pass

    def close(self) -> None:
        """Close every line."""
        for player in self.by_name.values():
            player.link.close()  # type: ignore[attr-defined]


def setting(text: str) -> Quantity | str:
    """A quantity where there is a number, else a word."""
    return parse(text) if text[0].isdigit() else text


def numbers(answer: Answer, *names: str) -> list[float]:
    """These readings as the instrument wrote them, in their base unit."""
    return [float(answer.readings[name].base) for name in names]  # type: ignore[arg-type]


def by_pages(pages: Pages) -> dict[str, list[float]]:
    """Every reading of the script, by the pages."""
    readings = {"dead": numbers(pages.perform("residual", "measure"), "volts_peak")}
    pages.close_relays(122, 101)
    pages.perform("resistance", "prepare", expected="20 ohm")
    while (answer := pages.perform("resistance", "measure")).readings["resistance"].base is None:
        pass
    readings["stage 1"] = numbers(answer, "resistance")
    pages.perform("switching", "open_all")
    pages.perform("guard", "prepare", watchdog="10 s")
    for action in ("look", "lock", "contactor_on"):
        pages.perform("guard", action)
    pages.close_relays(111)
    pages.perform("continuity", "prepare", current="25 A", rise="0.1 s", hold="5 s", open_volts="12 V")
    pages.energise("continuity")
    pages.hold("continuity")
    readings["bond"] = numbers(pages.perform("continuity", "measure"), "current", "resistance")
    pages.perform("continuity", "off")
    pages.perform("switching", "open_all")
    pages.close_relays(120, 123)
    pages.perform("withstand", "prepare", type="ac", frequency="60 Hz", voltage="1230 V", rise="0.1 s", hold="5 s",
                  fall="0.1 s", trip="5 mA", trip_on="total")
    pages.energise("withstand")
    pages.hold("withstand")
    readings["withstand"] = numbers(pages.perform("withstand", "measure"), "voltage", "current_total", "current_in_phase")
    readings["live"] = numbers(pages.perform("residual", "measure"), "volts_peak")
    pages.perform("withstand", "off")
    pages.perform("switching", "open_all")
    pages.close_relays(121, 104)
    pages.perform("current", "prepare", expected="5 A")
    pages.perform("power", "prepare", volts="240 V", hertz="60 Hz", current_limit="15 A", longest_on="20 s")
    pages.energise("power")
    readings["power"] = numbers(pages.perform("power", "measure"), "volts", "hertz")
    readings["settled amps"] = settled(lambda: numbers(pages.perform("current", "measure"), "current_rms")[0])
    pages.perform("power", "off")
    pages.perform("switching", "open_all")
    return readings


@pytest.fixture(scope="module")
def expected(simulator: Simulator) -> dict[str, list[float]]:
    """What the driver pages read."""
    pages = Pages(simulator.addresses)
    try:
        return by_pages(pages)
    finally:
        pages.close()


def by_script(form: str, addresses: Mapping[str, str]) -> dict[str, Any]:
    """What the script reads, in a process of its own with no path to the program."""
    done = subprocess.run([sys.executable, "-I", str(SCRIPT), form, json.dumps(addresses)], capture_output=True, text=True,
                          timeout=PATIENCE, check=False)
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout))


def test_what_the_pages_read_is_what_the_unit_is(expected: dict[str, list[float]]) -> None:
    assert expected["dead"][0] < 1.0
    assert 18.5 < expected["stage 1"][0] < 19.0
    assert 24.5 < expected["bond"][0] < 25.5 and 0.02 < expected["bond"][1] < 0.03
    assert 1215 < expected["withstand"][0] < 1245 and 1.0e-3 < expected["withstand"][1] < 1.1e-3
    assert 1700 < expected["live"][0] < 1780
    assert 239 < expected["power"][0] < 241 and 59.9 < expected["power"][1] < 60.1
    assert 2.16 < expected["settled amps"][0] < 2.64


@pytest.mark.parametrize("form", FORMS)
def test_every_form_of_headers_reads_the_same(form: str, expected: dict[str, list[float]]) -> None:
    simulator = guarded()
    try:
        got = by_script(form, simulator.addresses)
    finally:
        simulator.close()
    assert set(got["before"]) == set(simulator.addresses)
    assert set(got["errors"].values()) == {NO_ERROR}
    assert got["readings"][CHANGING] == pytest.approx(expected[CHANGING], abs=0.01)
    assert {name: each for name, each in got["readings"].items() if name != CHANGING} == \
        {name: each for name, each in expected.items() if name != CHANGING}


def test_the_forms_say_the_same_in_other_words() -> None:
    """A form that repeats another one would prove nothing."""
    tasks = set(FORMS["long"])
    assert len(FORMS) == 3 and all(set(form) == tasks for form in FORMS.values())
    for task in tasks:
        assert FORMS["long"][task] != FORMS["short"][task]
    assert sum(";" in message for each in FORMS["compound"].values() for message in each) >= 6
