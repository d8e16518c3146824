"""Documents about one unit: quality's release of an undecided reading, and the lead's word on a rework.

Both name the very entry that ended the run they are about, so that neither can be played back for another one.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from eolseq.errors import NotGenuine
from eolseq.records.documents import RELEASE_TYPE, REWORK_TYPE, Document, refuse_unless
from eolseq.records.keys import RegisteredKey
from eolseq.records.registry import ENGINEER, QUALITY, Registry, judge_signatures

LEADS = (ENGINEER, QUALITY)
"""Whose signature is the lead's word on a unit that is locked, or on one that is tested again with nothing changed."""

_REWORK: dict[str, type | tuple[type, ...]] = {
    "v": int, "origin": str, "serial": str, "run": int, "sequence": str, "cause": str, "changed": (str, type(None))}
_RELEASE: dict[str, type | tuple[type, ...]] = {"v": int, "origin": str, "serial": str, "run": int, "leaf": str,
                                                "reason": str}


def rework_payload(origin: str, serial: str, run: int, sequence: str, cause: str,
                   changed: str | None) -> dict[str, Any]:
    """The lead's word, not signed yet; ``run`` is the entry that ended the unit's latest run."""
    return {"v": 1, "origin": origin, "serial": serial, "run": run, "sequence": sequence, "cause": cause,
            "changed": changed}


def release_payload(origin: str, serial: str, run: int, leaf: str, reason: str) -> dict[str, Any]:
    """Quality's release, not signed yet; ``run`` is the end of the undecided run, ``leaf`` its leaf hash (hex)."""
    return {"v": 1, "origin": origin, "serial": serial, "run": run, "leaf": leaf, "reason": reason}


def judge_rework(document: Document, registry: Registry, index: int, entry: Mapping[str, Any]) -> list[RegisteredKey]:
    """Who signed the lead's word carried by an entry of the log; NotGenuine when it may not stand there."""
    refuse_unless(document, REWORK_TYPE, _REWORK)
    _refuse_elsewhere(document.payload, registry, index, entry, ("serial", "run", "sequence", "cause", "changed"))
    return judge_signatures(document, registry, index, LEADS)


def judge_release(document: Document, registry: Registry, index: int, entry: Mapping[str, Any]) -> list[RegisteredKey]:
    """Who signed a release carried by an entry of the log; NotGenuine when it may not stand there."""
    refuse_unless(document, RELEASE_TYPE, _RELEASE)
    if not document.payload["reason"].strip():
        raise NotGenuine("The release gives no reason.", "Have it made again.")
    _refuse_elsewhere(document.payload, registry, index, entry, ("serial", "run", "reason"))
    return judge_signatures(document, registry, index, (QUALITY,))


def _refuse_elsewhere(said: Mapping[str, Any], registry: Registry, index: int, entry: Mapping[str, Any],
                      same: tuple[str, ...]) -> None:
    if said["origin"] != registry.origin:
        raise NotGenuine(f"The document is for another log, {said['origin'][:120]}.",
                         "Have it signed for this station.")
    if not 0 < said["run"] < index:
        raise NotGenuine(f"The document is about a run that ended in entry {said['run']}, which does not come before "
                         f"entry {index}.", "Have it made again for the unit's latest run.")
    if any(said[name] != entry.get(name) for name in same):
        raise NotGenuine(f"Entry {index} says something else than the document that it carries.",
                         "Have it made again.")
