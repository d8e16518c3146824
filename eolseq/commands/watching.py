"""``eolseq review --watch``: the line as its log tells it at each moment, until somebody ends it."""

from __future__ import annotations

import sys
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.clock import Clock, Signal, SystemClock
from eolseq.errors import EolseqError
from eolseq.records.follow import Follower
from eolseq.review import present
from eolseq.review.present import Glance, Presence
from eolseq.review.review import KINDS, LogFacts, Review, Reviewer
from eolseq.review.window import Window, last_shift, of_dates
from eolseq.station.plant_time import UTC_TIME, PlantTime

if TYPE_CHECKING:
    from eolseq.screen.watch_screen import Watch

EVERY = 1.0
"""Seconds between two looks at the log."""
WANTED = KINDS | present.KINDS


class Watched:
    """A log with its figures of the shift that is on, or else of the last one; of today where there never was one."""

    def __init__(self, folder: Path, takt: float | None, clock: Clock, plant: PlantTime = UTC_TIME) -> None:
        self._folder, self._takt, self._clock, self._plant = folder, takt, clock, plant
        self._read_all()

    def _read_all(self) -> None:
        """From the first entry on: at the start, and when another shift, or a day without any, begins."""
        self._follower = Follower(self._folder)
        records = self._follower.records
        self._marks = [(index, str(entry["event"]), str(entry["bay"]))
                       for index, entry in records.payloads(frozenset({"shift"}))]
        self._window = self._window_now()
        self._facts = LogFacts(str(records.path), records.origin, 0, "", records.simulated)
        self._reviewer, self._presence = Reviewer(self._facts, self._window, self._takt, self._plant), Presence()
        self._last: datetime | None = None
        self._review: Review | None = None
        for index, payload in records.payloads(WANTED):
            self._take(index, payload)

    def look(self) -> Glance:
        """The line now. RecordFault when the log is not what it was."""
        new = self._follower.more()
        self._marks += [(index, str(entry["event"]), str(entry["bay"])) for index, entry in new
                        if entry["kind"] == "shift"]
        if self._window_now() != self._window:
            self._read_all()
        else:
            for index, payload in new:
                self._take(index, payload)
        if self._review is None or new:
            self._reviewer.log = self._facts._replace(size=self._follower.size, root=self._follower.root.hex())
            self._review = self._reviewer.result()
        return Glance(self._review, self._presence.result(), self._last, self._plant)

    def _window_now(self) -> Window:
        return last_shift(self._marks) or of_dates(self._plant.day(self._clock.now()), None, self._plant)

    def _take(self, index: int, payload: dict[str, Any]) -> None:
        self._last = datetime.fromisoformat(payload["time"])
        if payload["kind"] in KINDS:
            self._reviewer.take(index, payload)
        if payload["kind"] in present.KINDS:
            self._presence.take(index, payload)


def watch(watched: Watched, screen: Watch, clock: Clock, ended: Signal) -> None:
    """Look at the log and show it until the signal is raised. A log in doubt is shown, large, and stays so."""
    while not ended.is_set():
        try:
            shown: Glance | EolseqError = watched.look()
        except EolseqError as error:
            shown = error
        screen.show(shown, clock.now())
        clock.wait(ended, EVERY)


def run_watch(folder: Path, takt: float | None, plant: PlantTime = UTC_TIME) -> int:
    """Watch at this terminal until Ctrl-C or another signal; 0, since that is how watching ends."""
    from eolseq.commands.signals import told
    from eolseq.screen.watch_screen import open_watch

    clock = SystemClock()
    watched, ended = Watched(folder, takt, clock, plant), clock.signal()
    screen = open_watch(sys.stdout)
    try:
        with told(lambda _: ended.set()):
            watch(watched, screen, clock, ended)
    finally:
        screen.close()
    return 0
