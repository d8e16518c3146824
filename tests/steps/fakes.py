"""A scripted bench: sources and meters are functions of time, in virtual time, and everything asked is written down."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from eolseq.bands.band import ABOVE_RANGE, NOT_A_NUMBER, AcceptanceBand, Reading
from eolseq.bands.zero import FixtureZero
from eolseq.clock import VirtualClock
from eolseq.instruments.roles import Answer
from eolseq.quantity import Quantity
from eolseq.steps.base import Connections, Residual


def reading(name: str, value: str | float | None, unit: str) -> Reading:
    """A reading; 'open' is above range, 'garbled' is not a number."""
    if value in ("open", "garbled"):
        return Reading(name, None, unit, str(value), ABOVE_RANGE if value == "open" else NOT_A_NUMBER)
    return Reading(name, Decimal(str(value)), unit, str(value))


def answer(flags: str = "", **values: tuple[Any, str]) -> Answer:
    """An answer: flags in one text, readings as name=(value, unit)."""
    return Answer({name: reading(name, *value) for name, value in values.items()}, frozenset(flags.split()))


def profile(rise: float, hold: float, fall: float) -> Callable[[float], str]:
    """The phase of an instrument that times itself, by seconds since ON; empty once it has ended."""
    def phase(t: float) -> str:
        if t < rise:
            return "rising"
        if t < rise + hold:
            return "holding"
        return "falling" if t < rise + hold + fall else ""
    return phase


class FakeSource:
    """A source that is on."""

    def __init__(self, bench: FakeBench, script: Callable[[float], Answer], after_off: Reading | None) -> None:
        self.after_off: Reading | None = None
        self._bench = bench
        self._script = script
        self._residual = after_off
        self.begun = bench.clock.monotonic()
        self.off = False

    def sample(self) -> Answer:
        """What the script says for now; each look costs a little time, as on a wire."""
        now = self._bench.clock.monotonic() - self.begun
        self._bench.looks.append(now)
        if self._bench.stop_at is not None and now >= self._bench.stop_at[0]:
            raise self._bench.stop_at[1]
        self._bench.clock.sleep(0.0004 + self._bench.stalls.pop(len(self._bench.looks), 0.0))
        return self._script(now)

    def pause(self, seconds: float, since: float | None = None) -> None:
        """Wait."""
        self._bench.clock.sleep(seconds if since is None else since + seconds - self._bench.clock.monotonic())

    def switch_off(self) -> None:
        """Off before the end of the block."""
        self.off = True
        self._bench.did.append("off early")

    def left(self) -> None:
        """The block is over."""
        self.after_off = self._residual


@dataclass
class FakeMeter:
    """A meter whose reading is a function of the time since the last source came on."""

    bench: FakeBench
    role: str
    name: str
    script: Callable[[float], Answer]

    def perform(self, action: str, **arguments: Any) -> Answer:
        """Write down what was asked; measure by the script."""
        self.bench.did.append(" ".join([self.role, action, *(f"{k}={v}" for k, v in arguments.items())]))
        begun = self.bench.source.begun if self.bench.source else 0.0
        return self.script(self.bench.clock.monotonic() - begun) if action == "measure" else Answer()


class FakePicking:
    """A person who answers by a function of time; without one nobody is at a terminal."""

    def __init__(self, bench: FakeBench) -> None:
        self._bench = bench
        self._begun = bench.clock.monotonic()

    @property
    def missing(self) -> str:
        """Why no answer can come."""
        return "" if self._bench.answers is not None else "no person is at a terminal"

    def picked(self) -> str | None:
        """What the person says now."""
        return self._bench.answers(self._bench.clock.monotonic() - self._begun) if self._bench.answers else None

    def over(self) -> None:
        """Write down that the question was taken away."""
        self._bench.did.append("question over")


class FakeEntering:
    """A person who types the next of what a list has; at its end they say nothing more."""

    def __init__(self, bench: FakeBench) -> None:
        self._bench = bench

    @property
    def missing(self) -> str:
        """Why no answer can come."""
        return "" if self._bench.typed is not None else "no person is at a terminal"

    def entered(self) -> Decimal | None:
        """The next number."""
        return Decimal(self._bench.typed.pop(0)) if self._bench.typed else None

    def over(self) -> None:
        """Write down that the question was taken away."""
        self._bench.did.append("question over")


@dataclass
class FakeBench:
    """Satisfies ``steps.base.Bench``. ``sources``: role -> script, or a list of scripts used one after another."""

    sources: Mapping[str, Any] = field(default_factory=dict)
    meters: Mapping[str, Callable[[float], Answer]] = field(default_factory=dict)
    after_off: Reading | None = None
    stop_at: tuple[float, Exception] | None = None
    stop_in: int = 0
    stalls: dict[int, float] = field(default_factory=dict)
    clock: VirtualClock = field(default_factory=VirtualClock)
    did: list[str] = field(default_factory=list)
    looks: list[float] = field(default_factory=list)
    shown: list[tuple[str, str, float]] = field(default_factory=list)
    source: FakeSource | None = None
    on: int = 0
    zeros: Mapping[str, FixtureZero] = field(default_factory=dict)
    answers: Callable[[float], str | None] | None = None  # by the time since asked; None: no terminal
    typed: list[str] | None = None  # what a person types, in order; None: no terminal

    def ask_direction(self, seen_from: str, directions: tuple[str, ...], within: Quantity) -> FakePicking:
        """Write down what is asked."""
        self.did.append(f"ask {seen_from}, {len(directions)} directions, {within}")
        return FakePicking(self)

    def ask_number(self, question: str) -> FakeEntering:
        """Write down what is asked; the next of ``typed`` is the answer."""
        self.did.append(f"ask {question}")
        return FakeEntering(self)

    def pause(self, seconds: float) -> None:
        """Wait; a stop comes when it is due."""
        if self.stop_at is not None and self.clock.monotonic() >= self.stop_at[0]:
            raise self.stop_at[1]
        self.clock.sleep(seconds)

    def zero(self, fixture: str) -> FixtureZero:
        """The zero of a fixture."""
        return self.zeros[fixture]

    def instrument(self, role: str) -> FakeMeter:
        """The meter of a role."""
        return FakeMeter(self, role, role, self.meters[role])

    @contextmanager
    def connected(self, route: str, connections: Connections, *, point: str = "") -> Iterator[None]:
        """Write down what is connected."""
        parts = [*connections.tied, *(each.part for each in connections.closed), *([point] if point else [])]
        self.did.append(" ".join(["connect", route, *parts]))
        yield
        self.did.append("disconnect")

    @contextmanager
    def energised(self, role: str, settings: Mapping[str, Any], *, residual: Residual | None = None,
                  run_down: Quantity | None = None) -> Iterator[FakeSource]:
        """Switch a scripted source on."""
        script = self.sources[role]
        script = script[self.on] if isinstance(script, list) else script
        self.on += 1
        self.did.append(" ".join(["on", role, *(f"{k}={v}" for k, v in settings.items())]))
        self.source = FakeSource(self, script, self.after_off if residual else None)
        yield self.source
        self.did.append(f"off, run-down {run_down}" if run_down else "off")
        self.source.left()

    def live(self, name: str, reading: Reading | None, band: AcceptanceBand | None, phase: str,
             seconds_left: float) -> None:
        """Write down what is shown."""
        self.shown.append((name, phase, seconds_left))
