"""Asking the person at the terminal for their operator id."""

from __future__ import annotations

import sys
from typing import TextIO


def read_operator(source: TextIO | None = None) -> str | None:
    """One line from the terminal, without spaces around it; None at the end of input, at Ctrl-C or if it is empty."""
    try:
        line = (sys.stdin if source is None else source).readline()
    except (KeyboardInterrupt, EOFError, OSError, ValueError):
        return None
    return line.strip() or None
