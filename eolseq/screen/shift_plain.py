"""A shift told in plain lines, one a happening, around the lines of its runs."""

from __future__ import annotations

from threading import RLock
from typing import Any, TextIO

from eolseq.clock import Clock
from eolseq.engine.events import Acknowledged, Cautions
from eolseq.line.crew import Hazard
from eolseq.line.shift_events import (
    CautionPage,
    Note,
    ShiftBegins,
    ShortCaution,
    Situation,
    SoundIs,
    Stands,
    Tally,
    UnitOver,
)
from eolseq.quantity import counted
from eolseq.screen.outlet import Outlet
from eolseq.screen.plain import Plain
from eolseq.screen.sound import Bell
from eolseq.screen.words import RUN_WORDS, SIMULATED, clean


class PlainShift:
    """Writes one line per happening."""

    def __init__(self, stream: TextIO, clock: Clock, *, silent: bool = False) -> None:
        self._outlet = Outlet(stream)
        self._clock = clock
        self._runs = Plain(stream)
        self._prefix = ""
        self._begun: ShiftBegins | None = None
        self._bell = Bell(lambda: self._write("\a"), on=not silent)
        self._silent = silent
        self._one_at_a_time = RLock()  # never held over a wait

    def tell(self, event: Any) -> None:
        """Write what happened; never waits for the reader."""
        with self._one_at_a_time:
            self._bell.moment(self._clock.monotonic())
            say = _SAID.get(type(event))
            if say is not None:
                say(self, event)
            elif type(event) not in (Cautions, Acknowledged):
                self._runs.tell(event)

    def pages(self, _: Hazard) -> int:
        """Plain lines are one page."""
        return 1

    def close(self) -> None:
        """Write what is left."""
        self._runs.close()
        self._outlet.finish()

    def _write(self, text: str) -> None:
        self._outlet.write(text)
        self._outlet.flush()

    def _line(self, text: str) -> None:
        self._write(f"{self._prefix}{clean(text)}\n")

    def _begins(self, event: ShiftBegins) -> None:
        self._prefix = f"{SIMULATED} " if event.simulated else ""
        if event != self._begun:
            self._line(f"shift at {event.station}, {event.bay}")
        self._begun = event

    def _stands(self, event: Stands) -> None:
        if event.situation in (Situation.RUNNING, Situation.CHECKING):
            return
        beside = f", beside {', '.join(event.beside)}" if event.beside else ""
        who = f" (operator {event.operator}{beside})" if event.operator else ""
        self._line(f"{event.situation}{who}. {event.do}{f' {event.why}' if event.why else ''}")

    def _page(self, event: CautionPage) -> None:
        for text in (*event.cautions.standard, *event.cautions.own):
            self._line(f"WARNING: {text}")

    def _note(self, event: Note) -> None:
        self._line(f"{event.word}: {event.sentence}{f' {event.call}' if event.call else ''}")

    def _short(self, event: ShortCaution) -> None:
        self._line(f"WARNING: {event.text}")

    def _over(self, event: UnitOver) -> None:
        self._bell.tell(event.outcome, self._clock.monotonic())
        self._line(f"unit {event.serial}: {RUN_WORDS[event.outcome]}")

    def _sound(self, event: SoundIs) -> None:
        self._bell.on = event.on and not self._silent
        self._line(f"sound {'on' if event.on else 'off'}")

    def _tally(self, event: Tally) -> None:
        rejects = ", ".join(f"{count} at {step}" for step, count in event.rejects)
        expected = "" if event.expected is None else f", {event.expected} expected by now"
        total = event.passed + sum(count for _, count in event.rejects) + event.others
        if total:
            self._line(f"{counted(total, 'unit')}{expected}: {event.passed} passed, rejects: {rejects or 'none'}, "
                       f"{counted(event.others, 'other')}")


_SAID: dict[type, Any] = {
    ShiftBegins: PlainShift._begins,
    Stands: PlainShift._stands,
    CautionPage: PlainShift._page,
    Note: PlainShift._note,
    ShortCaution: PlainShift._short,
    UnitOver: PlainShift._over,
    SoundIs: PlainShift._sound,
    Tally: PlainShift._tally,
}
