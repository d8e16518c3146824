"""What an audit found, in words that can be shown: findings, notes and counts."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

MOST_KEPT = 1_000
"""How many findings, and how many notes, are kept with their words; beyond that they are only counted."""


@dataclass(frozen=True, slots=True)
class Finding:
    """Something at a line (counted from 1) and entry (counted from 0, None if unreadable): its name and meaning."""

    line: int
    index: int | None
    name: str
    meaning: str


@dataclass(slots=True)
class AuditReport:
    """What an audit found; the log is in order when ``findings_count`` is 0.

    ``verified`` counts the entries whose signature, index and root were checked; ``trusted`` those before it that an
    earlier checkpoint vouches for, of which only the hashes were.
    """

    log: str
    origin: str | None = None
    role: str | None = None
    keyid: str | None = None
    root: str = ""
    lines: int = 0
    verified: int = 0
    trusted: int = 0
    kinds: Counter[str] = field(default_factory=Counter)
    outcomes: Counter[str] = field(default_factory=Counter)
    checkpoint_size: int | None = None
    findings: list[Finding] = field(default_factory=list)
    findings_count: int = 0
    notes: list[Finding] = field(default_factory=list)
    notes_count: int = 0

    def find(self, line: int, index: int | None, name: str, meaning: str) -> None:
        """Count a finding and keep its words while there is room."""
        self.findings_count += 1
        if len(self.findings) < MOST_KEPT:
            self.findings.append(Finding(line, index, name, meaning))

    def note(self, line: int, index: int | None, name: str, meaning: str) -> None:
        """Count a note and keep its words while there is room."""
        self.notes_count += 1
        if len(self.notes) < MOST_KEPT:
            self.notes.append(Finding(line, index, name, meaning))
