"""The checks of a log that can still count: an older one than the newest of its kind says nothing any more."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from eolseq.verification.standing import Past


class Newest:
    """Takes in verifications and challenges, oldest first, and keeps the newest verification of each instrument that
    counts, and the newest challenge, and the newest one passed, of each bay with each sequence.

    No question about a station's checks (``standing.py``) looks behind these.
    """

    def __init__(self) -> None:
        self._found: dict[tuple[str, ...], Past] = {}

    def take(self, entry: Any, *, trusted: bool) -> None:
        """Take in an entry; ``trusted``: whether it was signed by whom it must be. One that is no check is left out."""
        if entry.kind not in ("verification", "challenge"):
            return
        said = entry.payload
        passed = said["outcome"] == "pass"
        past = Past(entry.index, entry.kind, datetime.fromisoformat(said["time"]), said, trusted)
        if entry.kind == "challenge":
            key = (entry.kind, said.get("bay") or "", said["sequence"]["name"])
            self._found[key] = past
            if passed:
                self._found[*key, "pass"] = past
        elif trusted or not passed:
            self._found[entry.kind, said["instrument"]["model"], said["instrument"]["serial"]] = past

    def all(self) -> tuple[Past, ...]:
        """What was kept, oldest first, each once."""
        return tuple(sorted({id(each): each for each in self._found.values()}.values(), key=lambda past: past.index))
