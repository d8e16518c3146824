"""Choosing between the drawn screen and plain lines."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import TYPE_CHECKING, TextIO

from eolseq.clock import Clock
from eolseq.screen.plain import Plain

if TYPE_CHECKING:
    from eolseq.screen.live import Screen

LEAST_WIDTH, LEAST_HEIGHT = 60, 16  # below this the drawn screen would leave out what matters


def open_screen(stream: TextIO, clock: Clock, *, plain: bool | None = None,
                environment: Mapping[str, str] | None = None) -> Screen | Plain:
    """A drawn screen on a terminal that can show it, else plain lines; ``plain`` True or False decides beforehand."""
    if plain is None:
        plain = not can_draw(stream, environment)
    if plain:
        return Plain(stream)
    from eolseq.screen.live import Screen, console_on

    return Screen(console_on(stream), clock)


def can_draw(stream: TextIO, environment: Mapping[str, str] | None = None) -> bool:
    """Whether the stream is a terminal that is large enough, moves its cursor and shows Unicode."""
    environment = os.environ if environment is None else environment
    if not stream.isatty() or environment.get("TERM", "") in ("", "dumb", "unknown"):
        return False
    if "utf" not in (stream.encoding or "").lower():
        return False
    try:
        size = os.get_terminal_size(stream.fileno())
    except (OSError, ValueError):
        return False
    return size.columns >= LEAST_WIDTH and size.lines >= LEAST_HEIGHT
