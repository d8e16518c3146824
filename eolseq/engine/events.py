"""Frozen events that a run emits for whoever watches. They decide nothing and may be dropped."""

from __future__ import annotations

from dataclasses import dataclass, field

from eolseq.bands.band import AcceptanceBand, Outcome, Reading
from eolseq.bands.rules import Sureness


@dataclass(frozen=True)
class StepPlan:
    """One line of the plan shown before a run: kind, name, bands by reading name, expected seconds."""

    kind: str
    name: str
    bands: tuple[tuple[str, AcceptanceBand], ...]
    seconds: float


@dataclass(frozen=True)
class RunBegins:
    """A unit has been identified and the plan is known."""

    sequence: str
    serial: str
    station: str
    bay: str
    simulated: bool
    trial: bool
    attempt: int
    steps: tuple[StepPlan, ...]


@dataclass(frozen=True)
class Cautions:
    """The cautions, standard ones first, to be shown and acknowledged before anything is energised."""

    standard: tuple[str, ...]
    own: tuple[str, ...]


@dataclass(frozen=True)
class Acknowledged:
    """A named operator has acknowledged the cautions."""

    operator: str


@dataclass(frozen=True)
class Instruction:
    """What the person at the bay has to do now, in one short sentence."""

    text: str


@dataclass(frozen=True)
class SafetyState:
    """The run's state, whether voltage may be present, and the hard-wired lamps as read back (None: unknown)."""

    state: str
    voltage_possible: bool
    red: bool | None
    green: bool | None
    locked: bool | None


@dataclass(frozen=True)
class StepBegins:
    """A step starts; counted from 0."""

    index: int


@dataclass(frozen=True)
class Live:
    """A reading while it is being taken; phase is a word such as rising or holding."""

    index: int
    name: str
    reading: Reading | None
    band: AcceptanceBand | None
    phase: str
    seconds_left: float


@dataclass(frozen=True)
class JudgedReading:
    """One reading of a finished step with its outcome, and how sure it is where that is known."""

    name: str
    reading: Reading
    band: AcceptanceBand
    outcome: Outcome
    sentence: str
    sure: Sureness | None = None


@dataclass(frozen=True)
class StepEnds:
    """A step has been judged."""

    index: int
    outcome: Outcome
    sentence: str
    readings: tuple[JudgedReading, ...] = field(default_factory=tuple)


@dataclass(frozen=True)
class RunEnds:
    """The run is over: outcome, one sentence of what to do, and where the record is (None if there is none)."""

    outcome: Outcome
    sentence: str
    log: str | None
    index: int | None


Event = (RunBegins | Cautions | Acknowledged | Instruction | SafetyState | StepBegins | Live | StepEnds | RunEnds)
