"""Whether a file may be used on a real station today: approved, unchanged, in force, its signers' keys still good.

A changed byte voids an approval. The approval holds the text that was approved, so the refusal can name the line.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import date
from itertools import zip_longest

from eolseq.errors import Refused
from eolseq.records.approvals import DRIVER_PAGE, ROLES_FOR, SEQUENCE, STATION_FILE, Approval, Standing

_ASK = {SEQUENCE: "See the engineer: eolseq approve. To try it without releasing anything: --trial.",
        DRIVER_PAGE: "See maintenance, and an engineer to countersign: eolseq approve.",
        STATION_FILE: "See maintenance, and an engineer to countersign: eolseq approve."}


@dataclass(frozen=True, slots=True)
class Subject:
    """A file to be used: its kind, what people call it, where it is, its bytes."""

    of: str
    name: str
    path: str
    source: bytes

    @property
    def digest(self) -> str:
        """The SHA-256 of the bytes, in hex."""
        return hashlib.sha256(self.source).hexdigest()


def approved(subject: Subject, standing: Standing, today: date) -> Approval:
    """The approval that lets a file be used today; Refused, saying whom to see, when there is none."""
    found = standing.latest(subject.of, subject.name)
    if found is None:
        raise Refused(_never(subject, standing), _ASK[subject.of])
    if found.digest != subject.digest:
        raise Refused(f"{changed_at(subject, found)} A changed byte voids an approval.", _ASK[subject.of])
    gone = standing.revoked_signer(found)
    if gone is not None:
        since = standing.registry.revoked[gone.key.keyid].since
        raise Refused(f"The approval of {subject.path} (entry {found.index}) holds no more: the key of {gone.holder} "
                      f"was revoked from entry {since} on.", _ASK[subject.of])
    if today < found.effective:
        raise Refused(f"The approval of {subject.path} (entry {found.index}) takes effect on {found.effective}.",
                      f"Wait until then, or see the {ROLES_FOR[subject.of][-1]}.")
    return found


def _never(subject: Subject, standing: Standing) -> str:
    """There is no approval under this name; but perhaps the name is what was changed in an approved file."""
    before = [each for each in standing.approvals if (each.of, each.file) == (subject.of, subject.path)]
    if before:
        return f"{changed_at(subject, before[-1])} A changed byte voids an approval."
    what = {SEQUENCE: f"The sequence '{subject.name}'", DRIVER_PAGE: f"The driver page of {subject.name}",
            STATION_FILE: f"The station file of {subject.name}"}[subject.of]
    return f"{what} ({subject.path}) is not approved on this station."


def changed_at(subject: Subject, approval: Approval) -> str:
    """A sentence that names the file and the first line that is not as it was approved."""
    head = f"is not as it was approved in entry {approval.index}"
    if approval.text is None:
        return f"{subject.path} {head}; its approved text was too long to be kept, so no line can be named."
    found = first_difference(approval.text, subject.source.decode("utf-8", "replace"))
    if found is None:
        return f"{subject.path} {head}: the line ends or the last line differ."
    line, old, new = found
    said = ["is missing" if new is None else f"is {_quoted(new)}", "was not there" if old is None else
            f"was {_quoted(old)}"]
    return f"{subject.path}:{line}: {head}: this line {said[0]} and {said[1]}."


def first_difference(old: str, new: str) -> tuple[int, str | None, str | None] | None:
    """The first line, counted from 1, in which two texts differ, as each has it (None: it ends before)."""
    pairs = zip_longest(old.splitlines(), new.splitlines())
    return next(((number, before, now) for number, (before, now) in enumerate(pairs, 1) if before != now), None)


def _quoted(line: str) -> str:
    text = line.strip()
    return repr(text if len(text) <= 80 else text[:77] + "...")
