"""What a person may run, and how people are called who test. Imports nothing heavy: station files speak of it too."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

PERSON = r"(?:[a-z][a-z.-]{0,18})?[0-9][a-z0-9.-]{0,19}"
"""How the people who test are called: a pseudonym with a number in it, so that no name gets into the log by habit."""

PERSON_LIKE = "a pseudonym with a number in it, such as op-07"
ANY_SEQUENCE = "all"


@dataclass(frozen=True)
class MayTest:
    """What a person may run: the names of sequences or ``all``, and the last day (UTC); a trainee never alone."""

    sequences: tuple[str, ...]
    until: date
    trainee: bool = False

    def may_run(self, sequence: str) -> bool:
        """Whether the sequence of this name is among them."""
        return ANY_SEQUENCE in self.sequences or sequence in self.sequences


def is_pseudonym(text: str) -> bool:
    """Whether a text is written as the people are called who test."""
    return re.fullmatch(PERSON, text) is not None
