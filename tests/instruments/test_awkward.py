"""The awkward instrument through its page: a run with it passes, and whatever of its manners a page forgets is a fault.

All instruments, units and numbers are invented demo data.
"""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.clock import SystemClock, VirtualClock
from eolseq.commands.wiring import virtual_wires
from eolseq.errors import InstrumentFault, LinkTimeout
from eolseq.instruments.link import open_link, resource_manager
from eolseq.instruments.page import load_page
from eolseq.instruments.player import Player
from eolseq.quantity import parse
from eolseq.simulation.file import build
from tests import rig
from tests.benches import changed_bench
from tests.instruments.fake_link import DRIVERS
from tests.served import serving


@pytest.fixture
def awkward(quick_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The demo bench with the awkward meter in the place of the plain one."""
    simulator, station = changed_bench(quick_path, "resistance")
    monkeypatch.setattr(rig, "SIMULATOR", simulator)
    monkeypatch.setattr(rig, "STATION", station)
    monkeypatch.setattr(rig, "PAGES", {each.name: load_page(rig.ROOT / each.page) for each in station.instruments})
    return quick_path


def test_a_run_with_it_passes(awkward: Path) -> None:
    with rig.Rig(awkward) as bench:
        result = bench.run()
    assert result.outcome is Outcome.PASS
    raw = [judged.reading.raw for step, verdict in result.steps for judged in verdict.readings
           if judged.reading.name == "resistance" and "heater" in step.kind]
    assert raw and all(re.fullmatch(r"[0-9]+,[0-9]", each) for each in raw), "in tenths of a milliohm, with a comma"


@pytest.mark.parametrize("defect", ["wrong-element", "open-element"])
def test_a_run_with_it_finds_defects(awkward: Path, defect: str) -> None:
    with rig.Rig(awkward, defect=defect) as bench:
        result = bench.run()
    assert result.outcome is Outcome.FAIL
    assert [step.kind for step, verdict in result.steps if verdict.outcome is Outcome.FAIL] == ["heater_resistance"]


CLOSED = [122, 101]  # the way to the meter, and the first stage

FORGOTTEN = {
    # name: (what the page says otherwise, words of the fault); the page itself is the last row
    "echo": ("echo: yes, ", "", "has no reply of this form|not of the form|that nobody asked for|reports"),
    "pause": ("pause: 30 ms, ", "", "did not finish its answer"),
    "terminator": ("end: CR,", "end: LF,", "did not finish its answer"),
    "decimal comma": ("decimal: comma", "decimal: point", ""),
    "nothing": ("end: CR,", "end: CR,", ""),
}


def measured(page_text: str, folder: Path) -> Any:
    """What a page reads of 19 ohm or so on the awkward instrument, in virtual time."""
    path = folder / "rm-70.yaml"
    path.write_text(page_text, encoding="utf-8")
    page = load_page(path)
    simulator, _ = changed_bench(folder, "resistance")
    world, clock = build(simulator, now=0.0), VirtualClock()
    world.switch(CLOSED, True)
    try:
        with virtual_wires(world, clock) as wires:
            link = open_link(wires.manager, "resistance", wires.addresses["resistance"], page.line, clock)
            player = Player("resistance", page, link, clock)
            player.open()
            player.perform("prepare", expected=parse("20 ohm"))
            return player.perform("measure").readings["resistance"]
    finally:
        clock.close()


@pytest.mark.parametrize(("old", "new", "words"), FORGOTTEN.values(), ids=FORGOTTEN.keys())
def test_a_manner_that_a_page_forgets_is_never_a_reading(old: str, new: str, words: str, tmp_path: Path) -> None:
    source = (DRIVERS / "rm-70.yaml").read_text(encoding="utf-8")
    assert source.count(old) == 1
    if words:
        with pytest.raises(InstrumentFault, match=words):
            measured(source.replace(old, new), tmp_path)
        return
    reading = measured(source.replace(old, new), tmp_path)
    if old == new:
        assert reading.value is not None and 15 < reading.value / 1000 < 25
    else:
        assert reading.value is None and reading.special == "not a number"


@pytest.mark.real_lines
def test_it_is_spoken_to_over_a_real_line(tmp_path: Path) -> None:
    """On a pseudo-terminal, after another baud rate was asked for and taken."""
    simulator, _ = changed_bench(tmp_path, "resistance")
    page = load_page(DRIVERS / "rm-70.yaml")
    with serving(simulator) as (world, addresses):
        world.switch(CLOSED, True)
        clock, line = SystemClock(), dataclasses.replace(page.line, baud=19200)
        link = open_link(resource_manager(), "resistance", addresses["resistance"], line, clock)
        try:
            player = Player("resistance", page, link, clock)
            assert player.open("SIM-0004").model == "RM-70"
            player.perform("prepare", expected=parse("20 ohm"))
            reading = player.perform("measure").readings["resistance"]
            assert reading.value is not None and 15 < reading.value / 1000 < 25
            world.set_fault("silent", "resistance")
            with pytest.raises(LinkTimeout, match="did not finish its answer"):
                player.perform("measure")
            assert link.dirty
        finally:
            link.close()
