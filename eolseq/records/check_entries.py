"""The entry about a check that a unit had elsewhere, before this station: an inspection, a leak test, a pressure hold.

The first field is the unit's ``serial``: the log keeps such entries by it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar, Literal

ENTERED = "entered by hand"
"""The ``source`` of a result that a person entered; else it is the equipment that wrote the file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierCheck:
    """The result of one earlier check on one unit, as it stands at this station.

    ``made``: when the check was made (UTC, ISO 8601). ``stated``: the result as it came, ``unclear``
    where a row could not be read but for its unit and check, which counts as a fail; ``result``: that, but a fail
    where ``value``, a number with its unit, lies outside the band it was held against. ``file``, ``digest`` (SHA-256,
    hex) and ``row`` (the line, from 1) say where it was read; None when a person entered it. ``text`` is that line.
    """

    kind: ClassVar[str] = "earlier_check"
    serial: str
    check: str
    result: Literal["pass", "fail"]
    stated: Literal["pass", "fail", "unclear"]
    sentence: str
    made: str
    by: str
    source: str
    value: str | None = None
    at_least: str | None = None
    at_most: str | None = None
    file: str | None = None
    digest: str | None = None
    row: int | None = None
    text: str | None = None
