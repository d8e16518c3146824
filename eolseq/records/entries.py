"""The kinds of entries: plain frozen data made of text, counts and null.

A measured number is the text the instrument's reply was turned into (``"0.000420"``), never a float; what was not
measured is None. Counts and indices are whole numbers. ``run`` is always the index of the run's ``begin``. The order
of the fields is the order in the file; the first fields of begin, energise, end and abandon are what the log reads
back when it is opened.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal, Protocol

Mode = Literal["real", "simulated"]
YesNo = Literal["yes", "no"]

EARLIER_KEPT = 20
"""How many earlier attempts on a unit a ``begin`` and an ``end`` repeat; the count is of all."""


@dataclass(frozen=True, slots=True)
class EarlierAttempt:
    """An earlier run on the same unit: index and leaf hash (hex) of the line that ended it, and its outcome.

    ``outcome`` is ``abandoned`` for a run closed after a crash, ``open`` for one not ended, whose line is its begin.
    """

    index: int
    outcome: str
    leaf: str


@dataclass(frozen=True, slots=True)
class SequenceUsed:
    """The sequence of a run: its name, the file it came from and the SHA-256 (hex) of that file."""

    name: str
    path: str
    digest: str


@dataclass(frozen=True, slots=True)
class InstrumentUsed:
    """The instrument behind a reading, with the range it measured in and its accuracy there."""

    name: str
    model: str
    serial: str
    range: str | None = None
    accuracy: str | None = None


@dataclass(frozen=True, slots=True)
class InstrumentNamed:
    """An instrument of the station as a run begins; ``counter`` is its own count of tests, where it keeps one."""

    name: str
    model: str
    serial: str
    counter: int | None = None


@dataclass(frozen=True, slots=True)
class InstrumentStanding:
    """An instrument at the end of a run: its reply to the identity question and how good it is known to be."""

    name: str
    role: str
    identity: str
    model: str
    serial: str
    calibrated_until: str | None = None
    verification: int | None = None
    counter: int | None = None


@dataclass(frozen=True, slots=True)
class Applied:
    """What was put on the unit over a hold: lowest and highest of so many samples, and the band for them."""

    name: str
    lowest: str | None
    highest: str | None
    unit: str
    at_least: str | None
    at_most: str | None
    samples: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """One judged reading with the instrument's raw reply, its band and why the band is so.

    ``uncertainty`` is expanded, rounded up, with its factor; ``rule`` the decision rule with what became of it;
    ``conformance`` the probability, rounded down, that the true value lies in the band. None where not known.
    """

    name: str
    raw: str | None
    value: str | None
    unit: str
    at_least: str | None
    at_most: str | None
    basis: str
    outcome: str
    sentence: str
    uncertainty: str | None = None
    rule: str
    instrument: InstrumentUsed | None
    conformance: str | None = None


@dataclass(frozen=True, slots=True)
class StepDone:
    """A step of an ended run with all its readings again; a step not reached has none."""

    name: str
    kind: str
    outcome: str
    sentence: str
    readings: tuple[Measured, ...] = ()
    applied: tuple[Applied, ...] = ()
    settings: Mapping[str, str] = field(default_factory=dict)
    connections: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Genesis:
    """The first entry of a log: the key registry's first version, naming the station's key."""

    kind: ClassVar[str] = "genesis"
    registry: Mapping[str, Any]
    software: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Begin:
    """An attempt on a unit begins; durable before any voltage.

    ``withstand_applications`` counts how often withstand voltage was put on the unit before, in all its attempts.
    ``earlier_checks``: the entries of the checks made elsewhere that it rests on. ``models``: those of its sequence.
    """

    kind: ClassVar[str] = "begin"
    serial: str
    attempt: int
    mode: Mode
    trial: YesNo
    bay: str
    earlier_count: int
    earlier: tuple[EarlierAttempt, ...]
    withstand_applications: int = 0
    sequence: SequenceUsed
    station: str
    station_digest: str
    pages: Mapping[str, str]
    instruments: tuple[InstrumentNamed, ...] = ()
    operator: str
    cautions: tuple[str, ...]
    approval: int | None = None
    software: str
    earlier_checks: tuple[int, ...] = ()
    models: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Energise:
    """Voltage is about to be put on a unit; durable before it is."""

    kind: ClassVar[str] = "energise"
    run: int
    step: str
    kind_of_step: str
    source: str
    settings: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading(Measured):
    """A step's reading, written once voltage is off."""

    kind: ClassVar[str] = "reading"
    run: int
    step: str
    step_kind: str
    applied: tuple[Applied, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class End:
    """A run has ended: its outcome and everything needed to stand alone as a customer's record.

    ``withstand_applications`` counts how often withstand voltage was put on the unit, this attempt included.
    """

    kind: ClassVar[str] = "end"
    run: int
    serial: str
    outcome: str
    sentence: str
    mode: Mode
    trial: YesNo
    bay: str
    attempt: int
    earlier_count: int
    earlier: tuple[EarlierAttempt, ...]
    withstand_applications: int = 0
    steps: tuple[StepDone, ...]
    instruments: tuple[InstrumentStanding, ...]
    operator: str
    cautions: tuple[str, ...]
    sequence: SequenceUsed
    approval: int | None = None
    software: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Abandon:
    """A run that was open when the program last died is closed before anything else is tested."""

    kind: ClassVar[str] = "abandon"
    run: int
    serial: str
    reason: str
    energised: YesNo


@dataclass(frozen=True, slots=True, kw_only=True)
class Lock:
    """The station takes itself out of use: why, and what must be done."""

    kind: ClassVar[str] = "lock"
    reason: str
    do: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Unlock:
    """The station is in use again: who said so and why; the document stands here as it was signed."""

    kind: ClassVar[str] = "unlock"
    by: str
    reason: str
    document: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Remark:
    """A free note, such as why a run was refused; serial is None when no unit is concerned, bay when no bay is."""

    kind: ClassVar[str] = "remark"
    serial: str | None
    reason: str
    bay: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockMark:
    """The wall clock was seen to lie behind an earlier entry: by how many seconds, as text, and that entry's time.

    ``by`` names the person who said that the clock is right now; None when the program only saw it.
    """

    kind: ClassVar[str] = "clock"
    behind: str
    last: str
    reason: str
    by: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """What a crash left of an unfinished line stays in the file: from which byte, how many bytes, and their SHA-256.

    The debris ends where this entry's line begins; the newline that parts them is counted in.
    """

    kind: ClassVar[str] = "recovery"
    offset: int
    length: int
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """An instrument was held against known loads: ``pass`` means that it was good at that moment.

    ``document``, signed by maintenance, has every check; None on a simulated station. ``run`` is the run that made
    them, ``page`` and ``station_digest`` the SHA-256 (hex) of its driver page and of the station file.
    """

    kind: ClassVar[str] = "verification"
    instrument: InstrumentNamed
    outcome: str
    sentence: str
    document: str | None = None
    run: int | None = None
    page: str | None = None
    station_digest: str | None = None
    checks: tuple[Mapping[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class Shown:
    """A reference unit as the station saw it: what it should have found at which step, and what it found."""

    name: str
    serial: str
    run: int | None
    expected: str
    found: str
    outcome: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Challenge:
    """The station was shown reference units with known faults: ``pass`` means that it caught every one as it must.

    ``fixture`` is the one that was at the bay, ``bay`` where; None where the station file names no fixtures, and in
    entries from before these were written.
    """

    kind: ClassVar[str] = "challenge"
    outcome: str
    sentence: str
    shown: tuple[Shown, ...]
    sequence: SequenceUsed
    station_digest: str
    pages: Mapping[str, str]
    operator: str
    fixture: str | None = None
    bay: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Close:
    """The program ends in good order."""

    kind: ClassVar[str] = "close"
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Keys:
    """A new version of the key registry, signed by people; the document stands here as it was signed."""

    kind: ClassVar[str] = "keys"
    version: int
    document: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Approval:
    """People approve a sequence, a driver page or the station file; the document stands here as it was signed."""

    kind: ClassVar[str] = "approval"
    of: str
    name: str
    digest: str
    document: str


class Entry(Protocol):
    """Anything that can be written into the log: frozen data of text, counts and null, with its kind."""

    kind: ClassVar[str]


KINDS = frozenset({"genesis", "keys", "people", "approval", "verification", "challenge", "earlier_check", "rework",
                   "release", "sign_in", "shift", "begin", "energise", "reading", "end", "abandon", "label", "lock",
                   "unlock", "recovery", "clock", "remark", "close", "void", "fixture", "out_of_use"})
"""Every kind the format knows, those of later versions included."""


def reading(run: int, step: str, step_kind: str, measured: Measured, applied: tuple[Applied, ...] = ()) -> Reading:
    """The log entry of one measured value, so that the same value can stand in the run's ``end``."""
    values = {name: getattr(measured, name) for name in Measured.__dataclass_fields__}
    return Reading(run=run, step=step, step_kind=step_kind, applied=applied, **values)
