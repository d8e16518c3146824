"""What an audit says of units between their runs: reworks, releases and voids, and those that may not stand there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from eolseq.errors import NotGenuine
from eolseq.records.documents import read_document
from eolseq.records.keys import STATION
from eolseq.records.report import AuditReport
from eolseq.records.undecided import release_refusal

UNIT_KINDS = frozenset({"end", "abandon", "rework", "release", "void"})
"""The kinds of entries that this looks at."""


@dataclass(frozen=True, slots=True)
class _Last:
    """The entry that ended a unit's latest run, its outcome, why that run cannot be released, and its leaf hash."""

    index: int
    outcome: str
    no_release: str
    leaf: str


class UnitsMeaning:
    """Follows the entries about units in the order of the log."""

    def __init__(self, report: AuditReport) -> None:
        self._report = report
        self._last: dict[str, _Last] = {}

    def take(self, line: int, index: int, payload: Mapping[str, Any], leaf: bytes, *, whole: bool) -> None:
        """Take in one entry at a line (from 1) and index (from 0); ``whole``: no line is missing before it."""
        kind, serial = payload["kind"], str(payload["serial"])
        if kind in ("end", "abandon"):
            outcome = str(payload["outcome"]) if kind == "end" else "abandoned"
            no_release = release_refusal(payload) if outcome == "undecided" else f"Its run ended as {outcome}."
            self._last[serial] = _Last(index, outcome, no_release, leaf.hex())
            return
        self._note(line, index, kind, serial, payload)
        if whole:
            self._judge(line, index, kind, serial, payload)

    def _note(self, line: int, index: int, kind: str, serial: str, payload: Mapping[str, Any]) -> None:
        name = {"rework": "rework", "release": "released", "void": "pass made void"}[kind]
        said = payload["reason"] if kind != "rework" else \
            f"{payload['cause']}; changed: {payload['changed'] or 'nothing on the unit'}"
        lead = ", the lead's word" if kind == "rework" and payload["lead"] == "yes" else ""
        self._report.note(line, index, name, f"Unit {serial}, by {payload['by']}{lead}: {said}")

    def _judge(self, line: int, index: int, kind: str, serial: str, payload: Mapping[str, Any]) -> None:
        """What such an entry says must fit the unit's latest run; on a real station some words must be signed."""
        last = self._last.get(serial)
        if last is None or (kind != "void" and payload["run"] != last.index):
            self._report.find(line, index, f"{kind} of no run", f"It is about a run on unit {serial} that ended in "
                              f"entry {payload['run']}; the log has no such latest run before it.")
            return
        if kind == "release" and last.no_release:
            self._report.find(line, index, "release not allowed", f"Unit {serial} could not be released. "
                              f"{last.no_release}")
        signed = payload.get("document") is not None
        needs = kind == "release" or (kind == "rework" and payload["lead"] == "yes")
        if needs and not signed and self._report.role == STATION:
            self._report.find(line, index, "not signed", f"The {kind} of unit {serial} carries no signed document.")
        if kind == "release" and signed and _leaf_in(payload) != last.leaf:
            self._report.find(line, index, "release of another line", f"The release of unit {serial} was signed for "
                              f"another line than entry {last.index}.")


def _leaf_in(payload: Mapping[str, Any]) -> str:
    """The line that a release was signed for; what is no document is found by whoever judges documents."""
    try:
        return str(read_document(str(payload["document"]).encode()).payload.get("leaf"))
    except NotGenuine:
        return ""
