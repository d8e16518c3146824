"""The contract between a kind of step and the bench it runs on.

A step is straight-line code that takes a bench and gives back evidence; it never judges, logs or prints. Each kind of
step is one file beside this one, with a frozen dataclass of its settings, its table of fields, and ``run``.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from eolseq.bands.band import AcceptanceBand, Reading
from eolseq.quantity import Quantity

if TYPE_CHECKING:  # only named in annotations, and checking a file need not wait for them
    from decimal import Decimal

    from eolseq.bands.uncertainty import Span
    from eolseq.bands.zero import FixtureZero
    from eolseq.clock import Clock
    from eolseq.instruments.roles import Answer, Instrument

OPERATOR = "the operator"  # stands in a reading's ``instrument`` where a person is the only measure
SAMPLE_EVERY = 0.08  # seconds between two looks at what is applied; they may be at most 0.1 s apart


class Closed(NamedTuple):
    """A part of the unit that is switched on for a step: which, by what, and how long it takes to close."""

    part: str
    by: str
    delay: Quantity


class Connections(NamedTuple):
    """What is connected to what during a step."""

    tied: tuple[str, ...] = ()
    returned: str = ""
    closed: tuple[Closed, ...] = ()
    disconnected: tuple[str, ...] = ()
    reconnected: tuple[str, ...] = ()


class Residual(NamedTuple):
    """The volts left at the unit's terminals a stated time after OFF, and the band they are judged by."""

    after: Quantity
    band: AcceptanceBand


class Taken(NamedTuple):
    """A reading with the band it is to be judged by; ``if_open`` replaces the sentence when it is above range.

    ``zero``: what was taken off what the instrument read, None if nothing. ``if_bad``: what the sentence says instead
    whenever the reading does not pass. ``span``: how sure it is, where no instrument of the station took it.
    """

    reading: Reading
    band: AcceptanceBand
    if_open: str = ""
    where: str = ""  # which point or stage, for people
    zero: Quantity | None = None
    if_bad: str = ""
    span: Span | None = None


class Applied(NamedTuple):
    """What was put on the unit over the whole hold: lowest and highest sample, their number, and the band."""

    name: str
    lowest: Reading
    highest: Reading
    samples: int
    band: AcceptanceBand


class Trip(NamedTuple):
    """The instrument ended the test because of the unit: what it last saw. A missing current is allowed."""

    phase: str
    voltage: Reading | None = None
    current: Reading | None = None
    elapsed: Reading | None = None


class Evidence(NamedTuple):
    """Everything a step found out, for the engine to judge and the record to keep."""

    readings: tuple[Taken, ...]
    applied: tuple[Applied, ...] = ()
    trip: Trip | None = None


class Powered(Protocol):
    """A source that is on. ``sample`` looks at it; after the ``with`` block ``after_off`` has the unit's own volts."""

    after_off: Reading | None

    def sample(self) -> Answer:
        """Measure at the source; raises Stopped or StationFault if the guard, a ceiling or the link demands it."""

    def pause(self, seconds: float, since: float | None = None) -> None:
        """Wait with voltage on, from a moment (monotonic s) if given; ends at once, by an exception, on a trip."""

    def switch_off(self) -> None:
        """Turn the source off before the block ends, such as for a locked rotor; confirmed."""


class Picking(Protocol):
    """A question about a direction that is being put to a person; nothing here ever waits."""

    @property
    def missing(self) -> str:
        """Why no answer can come, and what to do; empty while one can."""

    def picked(self) -> str | None:
        """The direction that the person has picked; None as yet."""

    def over(self) -> None:
        """Take the question away."""


class Entering(Protocol):
    """A question for a number that is being put to a person; nothing here ever waits."""

    @property
    def missing(self) -> str:
        """Why no answer can come, and what to do; empty while one can."""

    def entered(self) -> Decimal | None:
        """The number that the person has typed; None as yet."""

    def over(self) -> None:
        """Take the question away."""


class Bench(Protocol):
    """What a step may use. It never sees addresses, the guard or the log."""

    clock: Clock

    def instrument(self, role: str) -> Instrument:
        """The instrument that plays a role at this bay."""

    def zero(self, fixture: str) -> FixtureZero:
        """What the leads of a fixture read by themselves; StationFault if the station has no zero of it."""

    def connected(self, route: str, connections: Connections, *, point: str = "") -> AbstractContextManager[None]:
        """Close the relays of a route (an instrument's way to the unit), a bond point, ties and parts; read them back.

        Closed parts get their delay before the block begins. Everything is opened, and seen open, after it.
        """

    def energised(self, role: str, settings: Mapping[str, Any], *, residual: Residual | None = None,
                  run_down: Quantity | None = None) -> AbstractContextManager[Powered]:
        """The one door to voltage: log, guard, ON, guard again; after the block OFF, discharge, dead proved."""

    def live(self, name: str, reading: Reading | None, band: AcceptanceBand | None, phase: str,
             seconds_left: float) -> None:
        """Show a reading while it is being taken. Decides nothing."""

    def ask_direction(self, seen_from: str, directions: tuple[str, ...], within: Quantity) -> Picking:
        """Ask the person at the bay which of the directions is seen, in an order that changes from unit to unit."""

    def ask_number(self, question: str) -> Entering:
        """Ask the person at the bay for a number; ``question`` is one line."""

    def pause(self, seconds: float) -> None:
        """Wait with no voltage on; ends at once, by an exception, on a trip."""


class Step(Protocol):
    """The settings of one step of a sequence."""

    @property
    def kind(self) -> str:
        """The kind of step, as the sequence file writes it."""

    @property
    def name(self) -> str:
        """What the sequence calls this step."""

    @property
    def connections(self) -> Connections:
        """What is connected to what during the step."""

    def run(self, bench: Bench) -> Evidence:
        """Carry the step out."""

    def seconds(self) -> float:
        """How long the step is expected to take."""

    def roles(self) -> tuple[str, ...]:
        """The roles of the instruments it needs."""

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """Every band it will be judged by, readings first, each with the reading's name."""

    def highest_volts(self) -> Quantity | None:
        """The highest voltage it puts on the unit, for ceilings and cautions."""

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """What each instrument will be set to: role, and settings as the role takes them."""

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """What each instrument must be able to read: role, reading, and the highest value that matters."""

    def routes(self) -> tuple[str, ...]:
        """The station's connections it needs, by name, without those that a station may do without."""

    def settings_for_log(self) -> dict[str, str]:
        """The settings as text with units."""
