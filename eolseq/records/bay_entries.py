"""The entry about a bay at which nothing is tested while its neighbours work on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True, kw_only=True)
class BayOutOfUse:
    """A bay is out of use from here on: why, and what has to be done. It is back when a run or shift begins there."""

    kind: ClassVar[str] = "out_of_use"
    bay: str
    reason: str
    do: str
    station_digest: str
