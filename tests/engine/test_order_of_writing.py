"""Written first, then done: no voltage without its entries in the log, and no pass that is not in it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from eolseq.bands.band import Outcome
from eolseq.errors import RecordFault
from tests.rig import Rig

ENTRIES_OF_A_SOUND_RUN = 22  # begin, 7 energise, 13 readings, end


@dataclass
class Written:
    """One entry, and what the simulator had seen by then in its own view."""

    entry: Any
    changes: int
    anything_on: bool


@dataclass
class SpyLog:
    """The station's log, which notes the simulator's own view at each entry and may fail from some entry on."""

    rig: Rig
    log: Any
    fail_at: int | None = None
    written: list[Written] = field(default_factory=list)
    asked: int = 0
    sure: bool = True

    def append(self, entry: Any, durable: bool = True) -> int:
        """Write an entry, unless the disk has failed."""
        self._note(entry)
        if self.fail_at is not None and self.asked > self.fail_at:
            raise RecordFault("The log could not be written: no space.", "Check the disk.")
        assert durable or entry.kind == "reading"
        assert self.sure or entry.kind == "reading", "the readings of a step are durable before anything else is written"
        self.sure = durable
        index: int = self.log.append(entry, durable)
        return index

    def _note(self, entry: Any) -> None:
        world = self.rig.world
        world.tick(self.rig.clock.monotonic())
        on = any(world.output_on(source.name) for source in world.sources.values()) or world.energised_at_unit()
        self.written.append(Written(entry, len(world.changes), on))
        self.asked += 1

    def __getattr__(self, name: str) -> Any:
        return getattr(self.log, name)


def run(folder: Path, fail_at: int | None = None) -> tuple[Rig, SpyLog, Any]:
    """A run on a sound unit, watched."""
    with Rig(folder) as rig:
        spy = SpyLog(rig, rig.log, fail_at)
        rig.log = spy  # type: ignore[assignment]
        return rig, spy, rig.run()


def switched_on(rig: Rig) -> list[tuple[int, str]]:
    """Where among the simulator's changes an output went on, and whose."""
    return [(place, change["name"]) for place, change in enumerate(rig.world.changes) if change.get("output") == "on"]


def test_voltage_comes_after_its_entries_and_is_off_before_the_next_one(quick_path: Path) -> None:
    rig, spy, result = run(quick_path)
    assert result.outcome is Outcome.PASS
    assert len(spy.written) == ENTRIES_OF_A_SOUND_RUN
    assert spy.written[0].entry.kind == "begin" and spy.written[-1].entry.kind == "end"
    assert not [each.entry.kind for each in spy.written if each.anything_on]
    on = switched_on(rig)
    assert len(on) == 7  # five bond points, withstand, motor
    for place, name in on:
        before = [each.entry for each in spy.written if each.changes <= place]
        assert before[0].kind == "begin" and before[-1].kind == "energise" and before[-1].source == name


def test_no_voltage_without_durable_entries_and_no_pass_without_an_end(quick_path: Path) -> None:
    for number in range(ENTRIES_OF_A_SOUND_RUN):
        rig, spy, result = run(quick_path / str(number), fail_at=number)
        failed = spy.written[number]
        on = switched_on(rig)
        assert bool(on) == (number > 1)  # entry 0 is the begin, entry 1 the first energise
        assert not [name for place, name in on if place >= failed.changes], number
        assert not failed.anything_on
        assert result.outcome is Outcome.FAULT and result.index is None, number
