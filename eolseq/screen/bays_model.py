"""What the screen knows about several bays, built from events that carry the bay's name; it decides nothing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from eolseq.engine.events import Live
from eolseq.line.bay_events import Busy, reading_together
from eolseq.line.shift_events import CodeTaken, Note, Tally, Tick, Typing
from eolseq.line.switchboard import THIS_BAY, WHICH_BAY
from eolseq.screen.shift_model import ShiftView
from eolseq.screen.turn import Turn


@dataclass(slots=True)
class BaysView:
    """Everything that is shown of the bays of a station; ``tell`` is the only thing that changes it."""

    bays: dict[str, ShiftView]
    busy: Busy | None = None
    typing: str = ""
    turn: Turn = field(default_factory=Turn)

    @classmethod
    def of(cls, names: Iterable[str]) -> BaysView:
        """A view of bays of these names, in their order."""
        return cls({name: ShiftView() for name in names})

    def tell(self, bay: str, event: Any, now: float) -> None:
        """Take in one event of a bay that came at the monotonic time ``now``, in seconds."""
        kind = type(event)
        if kind is Busy:
            self.busy = event
        elif kind is Typing:
            self.typing = event.text  # the one keyboard is at no bay in particular
        elif bay in self.bays:
            if kind is not Live and kind is not Tick:
                self._answered(bay, event)
            self.bays[bay].tell(event, now)

    @property
    def station(self) -> str:
        """The station's name, as soon as one bay has told it."""
        return next((each.begins.station for each in self.bays.values() if each.begins is not None), "")

    @property
    def simulated(self) -> bool:
        """Whether the station is simulated."""
        return any(each.simulated for each in self.bays.values())

    @property
    def reading(self) -> tuple[str, ...]:
        """The bays whose cautions fill the screen now."""
        stands = {name: each.stands for name, each in self.bays.items() if each.stands is not None}
        pages = {name: each.reading for name, each in self.bays.items() if each.reading is not None}
        return reading_together(stands, pages)

    def tally(self) -> Tally:
        """The count of all bays together; ``seconds`` are those of the bay that began first."""
        told = [each.tally for each in self.bays.values() if each.tally is not None]
        rejects: dict[str, int] = {}
        for each in told:
            for step, count in each.rejects:
                rejects[step] = rejects.get(step, 0) + count
        return Tally(max((each.seconds for each in told), default=0.0), sum(each.passed for each in told),
                     tuple(rejects.items()), sum(each.others for each in told))

    def _answered(self, bay: str, event: Any) -> None:
        """Which bay is meant is known again, or was said of another bay: the older word about it goes everywhere."""
        named = type(event) is Note and event.word == THIS_BAY
        if named or type(event) is CodeTaken:
            for name, each in self.bays.items():
                gone = (THIS_BAY, WHICH_BAY) if named or name == bay else (WHICH_BAY,)
                if each.note is not None and each.note.word in gone:
                    each.note = None
