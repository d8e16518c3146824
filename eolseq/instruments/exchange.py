"""What a player needs of the line to its instrument, and who answers there."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Protocol


class Exchange(Protocol):
    """What a player needs of the line to its instrument; ``instruments.link.Link`` is one."""

    @property
    def dirty(self) -> bool:
        """Whether it must be opened afresh before it is used again."""

    def send(self, message: str, within: float) -> None:
        """Send a message within so many seconds."""

    def ask(self, message: str, within: float) -> str:
        """Send a message and give its reply, within so many seconds."""

    def send_off(self, message: str) -> None:
        """Write OFF at once, from any task."""

    def tell_wait(self, seconds: float) -> None:
        """Tell the trace, if there is one, that the instrument is given so many seconds on purpose."""

    def reopen(self) -> None:
        """Open the line afresh."""

    def abort(self) -> None:
        """End what is waited for, from any task."""

    def clear_abort(self) -> None:
        """Allow messages again."""


@dataclass(frozen=True)
class Identity:
    """Who an instrument says it is; ``left_over``: errors that stood in its queue when it was opened."""

    maker: str
    model: str
    serial: str
    firmware: str
    raw: str
    left_over: tuple[str, ...] = ()

    @property
    def simulated(self) -> bool:
        """Whether it calls itself simulated."""
        return re.search(r"\bsimulated\b", self.raw, re.IGNORECASE) is not None
