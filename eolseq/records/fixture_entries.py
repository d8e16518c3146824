"""The entry about a fixture or lead set: which one is at the bay, and what was seen of it without a unit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, ClassVar, Literal

What = Literal["mounted", "inspected", "zero", "baseline"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixture:
    """A fixture was mounted, inspected, or measured without a unit; ``outcome`` is that of what was measured.

    ``run`` is the last entry of the run that measured it, ``good_until`` the last day it counts (ISO 8601),
    ``readings`` what was read as text with its band. ``by`` is who did it, or the program where it found the fixture.
    ``document``, signed by maintenance, says the same; None for what is mounted, on a simulated station, and in
    entries from before there were such documents. ``bay`` is where; None in entries from before it was written.
    """

    kind: ClassVar[str] = "fixture"
    fixture: str
    what: What
    outcome: str
    sentence: str
    by: str
    run: int | None = None
    good_until: str | None = None
    station_digest: str
    readings: tuple[Mapping[str, Any], ...] = ()
    document: str | None = None
    bay: str | None = None
