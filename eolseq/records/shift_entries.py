"""The entries about a shift: where it begins and ends, who signs in, and which cautions were acknowledged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

Way = Literal["scanned", "typed"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShiftMark:
    """A shift begins or ends at a bay; ``reason`` says why it ends."""

    kind: ClassVar[str] = "shift"
    event: Literal["begin", "end"]
    bay: str
    station_digest: str
    software: str
    reason: str | None = None
    passed: int = 0
    rejected: int = 0
    others: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class SignIn:
    """A person signs in or out at a bay, or acknowledges further cautions, each read in full.

    ``beside``: who else is signed in. ``cautions``: what was acknowledged by this entry; ``volts`` is the highest test
    voltage (V) that it covers.
    """

    kind: ClassVar[str] = "sign_in"
    person: str
    event: Literal["in", "out", "acknowledged"]
    way: Way
    beside: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    volts: str | None = None
    bay: str | None = None
