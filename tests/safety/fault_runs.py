"""Runs of one step with one fault in them, in virtual time, on a bench whose instrument hangs on either kind of line.

What an instrument really answered is kept beside what arrived of it, so that a reading on record can be held to it.
"""

from __future__ import annotations

import dataclasses
import json
from base64 import b64decode
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from typing import Any

import pytest

from eolseq.errors import EolseqError
from eolseq.instruments.any_page import load_any_page
from eolseq.instruments.page import load_page
from eolseq.instruments.page_model import Page
from eolseq.quantity import parse
from eolseq.records.audit import audit
from eolseq.sequence.load import load_sequence
from eolseq.simulation.instrument import Instrument
from tests import rig as rigs
from tests.benches import changed_bench
from tests.rig import ROOT, Rig

LINKS = ("tcp", "serial")
BEFORE, ON = "from the start", "after energise"
MOMENTS = (BEFORE, ON)


@dataclass(frozen=True)
class Place:
    """A kind of step, the instrument in it that is at fault, and the source whose output is on then ("": none)."""

    step: str
    instrument: str
    source: str
    file: str
    serial: str

    def __str__(self) -> str:
        return f"{self.step} by {self.instrument}"


SMALL, HEATED = ("duct-heater-6kw.yaml", "DH6-00000001"), ("duct-heater-3kw.yaml", "DH3-00000001")
CHARGED = ("duct-heater-coil-6kw.yaml", "DHC6-00000001")
PLACES = (
    Place("ground_continuity", "continuity", "continuity", *SMALL), Place("heater_resistance", "resistance", "", *SMALL),
    Place("dielectric_withstand", "withstand", "withstand", *SMALL), Place("motor_current", "power", "power", *SMALL),
    Place("motor_current", "current", "power", *SMALL), Place("power_input", "power", "power", *HEATED),
    Place("power_input", "input", "power", *HEATED), Place("holding_pressure", "gauge", "", *CHARGED),
)


@cache
def sequence_of(place: Place) -> Any:
    """The shipped sequence with one step of this kind in it: the last, which of the power inputs is the one that heats."""
    whole = load_sequence(ROOT / "sequences" / place.file)
    steps = [each for each in whole.steps if each.kind == place.step]
    return dataclasses.replace(whole, steps=(steps[0] if place.step == "heater_resistance" else steps[-1],))


def in_base(value: str, unit: str) -> float:
    """A value on record in the base unit of its kind."""
    return float(parse(f"{value} {unit}").base)


@dataclass
class Seen:
    """How a run ended ("not opened" when it never began), and what was so in the simulator's own view."""

    outcome: str = ""
    sentence: str = ""
    at: float | None = None      # when the fault was put in
    was_on: bool = False         # an output was on then
    energised: bool = False      # an output ever was on
    left_on: bool = False        # something reached the unit, or stood in it, at the end
    answers: dict[str, list[str]] = field(default_factory=dict)
    entries: list[dict[str, Any]] = field(default_factory=list)
    findings: tuple[Any, ...] = ()

    def readings(self) -> dict[str, tuple[float, str]]:
        """Readings on record with a value, in base units, and raw texts, by their name and place among those of it."""
        found: dict[str, tuple[float, str]] = {}
        for entry in self.entries:
            for step in entry.get("steps", ()) if entry["kind"] == "end" else ():
                for each in step["readings"]:
                    if each["value"] is not None:
                        count = sum(name.startswith(each["name"] + "/") for name in found)
                        found[f"{each['name']}/{count}"] = in_base(each["value"], each["unit"]), each["raw"]
        return found


def bench(monkeypatch: pytest.MonkeyPatch, place: Place, link: str, folder: Path,
          page: Callable[[str], str] = lambda text: text) -> None:
    """Give the rig the shipped bench with the place's instrument on this kind of line, its page changed if wanted.

    A serial line takes no second connection.
    """
    others = [dataclasses.replace(each, link=link) if each.name == place.instrument else each
              for each in rigs.SIMULATOR.instruments]
    monkeypatch.setattr(rigs, "SIMULATOR", dataclasses.replace(rigs.SIMULATOR, instruments=tuple(others)))
    path = next(ROOT / each.page for each in rigs.STATION.instruments if each.name == place.instrument)
    text = path.read_text("utf-8").split("# What goes over the line")[0]
    wanted = f"second_connection: {'yes' if link == 'tcp' else 'no'}"
    text = text.replace("second_connection: yes", wanted).replace("second_connection: no", wanted)
    monkeypatch.setattr(rigs, "PAGES", {**rigs.PAGES, place.instrument: loaded(folder / path.name, page(text))})


PAGES: dict[tuple[str, str], Page] = {}
"""By name and text, so that many cases load a page once."""


def loaded(copy: Path, text: str) -> Page:
    """The driver page with this text."""
    if (copy.name, text) not in PAGES:
        copy.write_text(text, "utf-8")
        PAGES[copy.name, text] = load_page(copy)
    return PAGES[copy.name, text]


def other_bench(monkeypatch: pytest.MonkeyPatch, place: Place, folder: Path) -> None:
    """Give the rig the bench with an instrument of other manners in the place."""
    simulator, station = changed_bench(folder, place.instrument)
    monkeypatch.setattr(rigs, "SIMULATOR", simulator)
    monkeypatch.setattr(rigs, "STATION", station)
    monkeypatch.setattr(rigs, "PAGES", {each.name: load_any_page(ROOT / each.page) for each in station.instruments})


def listen(rig: Rig) -> dict[str, list[str]]:
    """Keep every field of every answer that an instrument really gave, before its wire spoilt it."""
    answers: dict[str, list[str]] = {}
    for name, wire, _ in rig.world.instruments():
        answers[name] = []
        wire.execute = partial(_kept, wire, answers[name])  # type: ignore[method-assign]
    return answers


def _kept(wire: Instrument, kept: list[str], message: bytes, now: float) -> bytes:
    answer = type(wire).execute(wire, message, now)
    kept.extend(answer.decode("latin-1").strip().split(";"))
    return answer


def come(rig: Rig, place: Place) -> bool:
    """Whether the moment has come: the place's source has been on for a while, or the meter is switched to the unit, or
    the gauge has been set.
    """
    if place.instrument == "gauge":
        gauge: Any = rig.world.by_name["gauge"]
        return bool(gauge.range < gauge.ranges[-1])
    if not place.source:
        return rig.world.has("route-resistance")
    since = [c["time"] for c in rig.world.changes if c.get("name") == place.source and c.get("output") == "on"]
    return rig.world.output_on(place.source) and bool(since) and rig.clock.monotonic() - since[-1] >= 0.05


def run_with(place: Place, put_in: Callable[[Rig], None], moment: str, folder: Path) -> Seen:
    """Run the place's one step with a fault put in at a moment."""
    rig = Rig(folder, serial=place.serial, sequence=sequence_of(place))
    seen = Seen(answers=listen(rig))
    try:
        if moment == BEFORE:
            put_in(rig)
            seen.at = 0.0
        try:
            rig.open()
        except EolseqError as error:
            seen.outcome, seen.sentence = "not opened", str(error)
        else:
            _run(rig, place, put_in, seen)
        seen.energised = any(change.get("output") == "on" for change in rig.world.changes)
        rig.world.advance_to(rig.clock.monotonic())
        seen.left_on = rig.world.energised_at_unit() or rig.world.voltage_at_unit() >= 25.0
    finally:
        rig.close()
    return seen


def _run(rig: Rig, place: Place, put_in: Callable[[Rig], None], seen: Seen) -> None:
    def probe(_: int) -> None:
        if seen.at is None and come(rig, place):
            rig.world.advance_to(rig.clock.monotonic())
            seen.at, seen.was_on = rig.clock.monotonic(), bool(place.source) and rig.world.output_on(place.source)
            put_in(rig)

    rig.clock.probe = probe
    result = rig.run()
    rig.clock.probe = None
    locked = rig.log.locked() is not None
    assert locked == rig.opened.door.voltage_possible
    seen.outcome, seen.sentence = result.outcome.value + (", locked" if locked else ""), result.sentence
    seen.entries = [json.loads(b64decode(json.loads(line)["payload"])) for line in rig.log.path.read_bytes().splitlines()]
    seen.findings = tuple(audit(rig.log.path).findings)
