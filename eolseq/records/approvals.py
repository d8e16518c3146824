"""What is approved at a station: documents signed by people, as the log carries them.

A sequence is approved by an engineer who is not its author. The station file and the driver pages are signed by
maintenance and countersigned by an engineer. An approval names one file by what it is called and by the digest of its
bytes, and is numbered, so that an older one cannot be played back over a newer. It holds the approved text, so that a
changed file can be told by its line.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from eolseq.errors import NotGenuine, WrongUse
from eolseq.records.documents import APPROVAL_TYPE, Document, read_document, refuse_unless
from eolseq.records.keys import RegisteredKey
from eolseq.records.people import PeopleList, judge_people
from eolseq.records.registry import (
    ENGINEER,
    MAINTENANCE,
    Registry,
    first_registry_of,
    judge_signatures,
    next_registry,
)
from eolseq.records.runs import Carried
from eolseq.records.station_checks import judge_fixture, judge_unlock, judge_verification
from eolseq.records.unit_documents import judge_release, judge_rework

SEQUENCE, DRIVER_PAGE, STATION_FILE = "sequence", "driver page", "station"
ROLES_FOR: Mapping[str, tuple[str, ...]] = {
    SEQUENCE: (ENGINEER,), DRIVER_PAGE: (MAINTENANCE, ENGINEER), STATION_FILE: (MAINTENANCE, ENGINEER)}
"""The roles that must sign, by kind of file; each by another person."""

LONGEST_TEXT = 33_000  # bytes, as JSON, of an approved file that a document can hold

_OWN_WORD = ("verification", "fixture", "unlock", "rework", "release")
_ABOUT_UNITS = {"rework": judge_rework, "release": judge_release}
_FIELDS: dict[str, type | tuple[type, ...]] = {
    "v": int, "origin": str, "of": str, "name": str, "version": str, "file": str, "digest": str, "number": int,
    "author": (str, type(None)), "reason": str, "effective": str, "text": (str, type(None))}


@dataclass(frozen=True, slots=True)
class Approval:
    """One approval as the log carries it; ``text`` is the approved file, None when it was too long to be kept."""

    index: int
    of: str
    name: str
    version: str
    file: str
    digest: str
    number: int
    author: str | None
    reason: str
    effective: date
    text: str | None
    signers: tuple[RegisteredKey, ...]


def approval_payload(origin: str, of: str, name: str, source: bytes, *, number: int, file: str, author: str | None,
                     reason: str, effective: date, version: str = "") -> dict[str, Any]:
    """What an approval says, not signed yet; WrongUse for a file that is not UTF-8 or a sequence without an author."""
    try:
        text = source.decode()
    except UnicodeDecodeError as error:
        raise WrongUse(f"{file} is not UTF-8 text.", "Save it as UTF-8.") from error
    if of == SEQUENCE and not author:
        raise WrongUse("A sequence is approved with its author named.", "Give --author.")
    fits = len(json.dumps(text, ensure_ascii=False).encode()) <= LONGEST_TEXT
    return {"v": 1, "origin": origin, "of": of, "name": name, "version": version, "file": file,
            "digest": hashlib.sha256(source).hexdigest(), "number": number, "author": author, "reason": reason,
            "effective": effective.isoformat(), "text": text if fits else None}


class Standing:
    """The registry and the approvals of one log, version after version, as they stand after the entries taken in.

    ``verified``: who signed the verification in an entry; ``fixtures``: the same of work on a fixture. ``unlocked``: by
    the entry of a lock, that of its unlock. ``people``: the list of who may test, None before there is one.
    ``about_units``: who signed the release or the lead's word on a rework in an entry.
    """

    def __init__(self, documents: Iterable[Carried]) -> None:
        entries = iter(documents)
        genesis = next(entries, None)
        if genesis is None or genesis.kind != "genesis":
            raise NotGenuine("The log has no first entry that names its key.")
        self.registry: Registry = first_registry_of(genesis)
        self.approvals: list[Approval] = []
        self.verified: dict[int, tuple[RegisteredKey, ...]] = {}
        self.fixtures: dict[int, tuple[RegisteredKey, ...]] = {}
        self.unlocked: dict[int, int] = {}
        self.people: PeopleList | None = None
        self.about_units: dict[int, tuple[RegisteredKey, ...]] = {}
        for each in entries:
            self.take(each)

    @property
    def origin(self) -> str:
        """Whose registry and approvals these are."""
        return self.registry.origin

    def take(self, entry: Carried) -> None:
        """Take in one entry that carries a document; NotGenuine when the document may not stand there."""
        own = entry.kind in _OWN_WORD and entry.payload.get("document") is None
        if own or entry.kind == "challenge":
            return  # the station's own word: whether that is enough is for whoever asks
        document = read_document(str(entry.payload.get("document")).encode())
        if entry.kind == "verification":
            self.verified[entry.index] = tuple(judge_verification(document, self.registry, entry.index, entry.payload))
        elif entry.kind == "fixture":
            self.fixtures[entry.index] = tuple(judge_fixture(document, self.registry, entry.index, entry.payload))
        elif entry.kind == "unlock":
            self.unlocked[self.judge_unlock(document, entry.index)[0]] = entry.index
        elif entry.kind == "people":
            self.people = judge_people(document, self.registry, entry.index, self.people)
        elif entry.kind in _ABOUT_UNITS:
            judge = _ABOUT_UNITS[entry.kind]
            self.about_units[entry.index] = tuple(judge(document, self.registry, entry.index, entry.payload))
        elif entry.kind == "keys":
            registry = self.judge_registry(document, entry.index, entry.leaf)
            if entry.payload.get("version") != registry.version:
                raise NotGenuine(f"Entry {entry.index} says another version than the registry that it carries.")
            self.registry = registry
        elif entry.kind == "approval":
            approval = self.judge_approval(document, entry.index)
            said = tuple(entry.payload.get(name) for name in ("of", "name", "digest"))
            if said != (approval.of, approval.name, approval.digest):
                raise NotGenuine(f"Entry {entry.index} says something else than the approval that it carries.")
            self.approvals.append(approval)

    def holds(self, index: int) -> bool:
        """Whether the signatures on what an entry carries hold to this day: a release, a lead's word, a check."""
        signers = self.about_units.get(index) or self.verified.get(index) or self.fixtures.get(index) or ()
        return bool(signers) and all(self.registry.good_at(each.key.keyid, index) for each in signers)

    def judge_unlock(self, document: Document, index: int) -> tuple[int, list[RegisteredKey]]:
        """The entry of the lock that an unlock is for, and who signed; NotGenuine when it may not stand at an index."""
        lock, signers = judge_unlock(document, self.registry, index)
        if lock in self.unlocked:
            raise NotGenuine(f"The lock of entry {lock} was unlocked in entry {self.unlocked[lock]} already.",
                             "Have an unlock made for the lock that stands.")
        return lock, signers

    def judge_registry(self, document: Document, index: int, leaf: bytes = b"") -> Registry:
        """The registry that a document would make at an index; NotGenuine when it may not stand there."""
        return next_registry(self.registry, document, index, leaf)

    def judge_approval(self, document: Document, index: int, *, whole: bool = True) -> Approval:
        """The approval that a document would be at an index; NotGenuine when it may not stand there.

        ``whole`` False lets a signature be missing still, as long as those that are there are right.
        """
        refuse_unless(document, APPROVAL_TYPE, _FIELDS)
        payload = document.payload
        if payload["origin"] != self.origin:
            raise NotGenuine(f"The approval is for another log, {payload['origin'][:120]}.",
                             "Have it signed for this station.")
        if payload["of"] not in ROLES_FOR or not re.fullmatch(r"[0-9a-f]{64}", payload["digest"]):
            raise NotGenuine("The approval names no kind of file or no digest known here.", "Have it made again.")
        latest = self.latest(payload["of"], payload["name"])
        if latest is not None and payload["number"] <= latest.number:
            raise NotGenuine(f"The approval is number {payload['number']}, and entry {latest.index} carries number "
                             f"{latest.number} of the same file already: an older one cannot come back.",
                             "To go back to an older text, approve it anew.")
        signers = judge_signatures(document, self.registry, index, ROLES_FOR[payload["of"]])
        _refuse_signers(payload, signers, whole)
        return _approval(payload, index, signers)

    def latest(self, of: str, name: str) -> Approval | None:
        """The newest approval of a file by its kind and name, whether its signatures still hold or not."""
        found = [each for each in self.approvals if (each.of, each.name) == (of, name)]
        return found[-1] if found else None

    def next_number(self, of: str, name: str) -> int:
        """The number that the next approval of a file must have."""
        latest = self.latest(of, name)
        return 1 if latest is None else latest.number + 1

    def revoked_signer(self, approval: Approval) -> RegisteredKey | None:
        """A signer of an approval whose key was since revoked from that entry or an earlier one; None when all hold."""
        return next((key for key in approval.signers
                     if not self.registry.good_at(key.key.keyid, approval.index)), None)


def _refuse_signers(payload: Mapping[str, Any], signers: list[RegisteredKey], whole: bool) -> None:
    people = [key.holder for key in signers]
    if payload["author"] in people:
        raise NotGenuine(f"{payload['author']} is the author and cannot approve it too.",
                         "Have another engineer approve it.")
    if len(set(people)) != len(people):
        raise NotGenuine(f"One person, {people[0]}, signed in two roles or twice.", "Have another person sign.")
    missing = [role for role in ROLES_FOR[payload["of"]] if role not in [key.role for key in signers]]
    if missing and whole:
        raise NotGenuine(f"The signature of {' and of '.join(missing)} is missing on the approval of "
                         f"{payload['name'][:80]}.", "Have it countersigned: eolseq approve --document, with --key.")


def _approval(payload: Mapping[str, Any], index: int, signers: list[RegisteredKey]) -> Approval:
    text, digest = payload["text"], payload["digest"]
    if text is not None and hashlib.sha256(text.encode()).hexdigest() != digest:
        raise NotGenuine("The approval's text is not the one its digest is of.", "Have it made again.")
    if payload["of"] == SEQUENCE and not payload["author"]:
        raise NotGenuine("The approval of a sequence names no author.", "Have it made again.")
    try:
        effective = date.fromisoformat(payload["effective"])
    except ValueError as error:
        raise NotGenuine("The approval's effective date is no date.", "Have it made again.") from error
    return Approval(index, payload["of"], payload["name"], payload["version"], payload["file"], digest,
                    payload["number"], payload["author"], payload["reason"], effective, text, tuple(signers))
