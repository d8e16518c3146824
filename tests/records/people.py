"""Invented people of Aldervale Thermal with fixed keys, and the documents they sign, for the tests."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from eolseq.records import entries
from eolseq.records.approvals import SEQUENCE, Standing, approval_payload
from eolseq.records.documents import (
    APPROVAL_TYPE,
    KEYS_TYPE,
    Document,
    add_signature,
    key_payload,
    make_document,
    read_document,
)
from eolseq.records.keys import SigningKey
from eolseq.records.log import Log
from eolseq.records.registry import draft
from tests.records.samples import KEY, open_log

STATION = KEY
PEOPLE = {name: SigningKey.from_seed(bytes([number]) * 32) for number, name in enumerate(
    ("q-1", "q-2", "q-3", "e-1", "e-2", "m-1", "stranger"), 1)}
ROLES = {"q": "quality", "e": "engineer", "m": "maintenance", "s": "engineer"}
TEXT = b"format: 1\nkind: sequence\n# invented\nlimit: 2 mA\n"


def entry(name: str, **changed: str) -> dict[str, Any]:
    """What a registry says of a person."""
    return {**key_payload(PEOPLE[name].public, ROLES[name[0]], name, "aldervale.example"), **changed}


def signed(payload_type: str, payload: Mapping[str, Any], *signers: SigningKey) -> Document:
    """A document signed by each of them, in this order."""
    text = make_document(payload_type, payload, signers[0])
    for signer in signers[1:]:
        text = add_signature(text, signer)
    return read_document(text)


def keys_of(names: tuple[str, ...]) -> tuple[SigningKey, ...]:
    return tuple(STATION if name == "station" else PEOPLE[name] for name in names)


def registry_document(standing: Standing, *signers: str, enrol: tuple[str, ...] = (), threshold: int | None = None,
                      revoke: Mapping[str, int | None] | None = None, **changed: Any) -> Document:
    """A next version that takes these people in and revokes those, with any field of it changed by force."""
    leaving = {PEOPLE[name].keyid: (since, "lost") for name, since in (revoke or {}).items()}
    payload = draft(standing.registry, enrol=[entry(name) for name in enrol], revoke=leaving, threshold=threshold,
                    reason="for the test")
    return signed(KEYS_TYPE, {**payload, **changed}, *keys_of(signers))


def approval_document(standing: Standing, *signers: str, of: str = SEQUENCE, name: str = "Earth path",
                      source: bytes = TEXT, author: str | None = "e-2", **changed: Any) -> Document:
    """An approval of a text, with any field of it changed by force."""
    payload = approval_payload(standing.origin, of, name, source, number=standing.next_number(of, name),
                               file="earth.yaml", author=author if of == SEQUENCE else None, reason="for the test",
                               effective=date(2026, 1, 5), version="1")
    return signed(APPROVAL_TYPE, {**payload, **changed}, *keys_of(signers))


def carry(log: Log, document: Document) -> int:
    """The document in an entry of its own, as it was signed; the entry's index."""
    payload, text = document.payload, document.text.decode()
    if document.payload_type == KEYS_TYPE:
        return log.append(entries.Keys(version=payload["version"], document=text))
    return log.append(entries.Approval(of=payload["of"], name=payload["name"], digest=payload["digest"], document=text))


class Plant:
    """A log whose registry knows one engineer, maintenance and two people of quality, threshold 2."""

    def __init__(self, base: Path) -> None:
        self.log = open_log(base)
        carry(self.log, registry_document(self.standing, "station", "q-1", "q-2",
                                          enrol=("q-1", "q-2", "e-1", "e-2", "m-1"), threshold=2))

    @property
    def standing(self) -> Standing:
        """The registry and approvals as the log has them now."""
        return Standing(self.log.documents)
