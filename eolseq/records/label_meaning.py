"""What an audit says of labels: each stands on a pass that still counts, copies are counted, and doubts are told."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from eolseq.records.label_entries import ACCOUNTED, PRINT, UNKNOWN
from eolseq.records.report import AuditReport

LABEL_KINDS = frozenset({"begin", "end", "rework", "void", "label"})
"""The kinds of entries that this looks at."""


class LabelsMeaning:
    """Follows the labels of every unit in the order of the log."""

    def __init__(self, report: AuditReport) -> None:
        self._report = report
        self._passed: dict[str, int] = {}  # serial -> the end of the pass that counts
        self._copies: dict[tuple[str, str], tuple[int, int]] = {}  # serial, purpose -> last copy, its print's entry

    def take(self, line: int, index: int, payload: Mapping[str, Any], *, whole: bool) -> None:
        """Take in one entry at a line (from 1) and index (from 0); ``whole``: no line is missing before it."""
        kind, serial = payload["kind"], str(payload.get("serial"))
        if kind == "end" and (payload.get("outcome"), payload.get("trial")) == ("pass", "no"):
            self._passed[serial] = index
        elif kind != "label":
            self._passed.pop(serial, None)
        elif payload["event"] == PRINT:
            self._print(line, index, serial, payload, whole)
        else:
            self._fate(line, index, serial, payload, whole)

    def _print(self, line: int, index: int, serial: str, payload: Mapping[str, Any], whole: bool) -> None:
        of, copy = str(payload["of"]), int(payload["copy"])
        before = self._copies.get((serial, of), (0, -1))[0]
        if whole and self._passed.get(serial) != payload["end"]:
            self._report.find(line, index, "label without a pass", f"A label of unit {serial} stands on entry "
                              f"{payload['end']}, which is no pass of its last run.")
        if whole and copy != before + 1:
            self._report.find(line, index, "copy miscounted", f"The label of unit {serial} says it is copy {copy}; the "
                              f"log holds {before} before it.")
        self._copies[serial, of] = (copy, index)
        if copy > 1:
            self._report.note(line, index, "another copy", f"Copy {copy} of the label ({of}) of unit {serial}, by "
                              f"{payload['by']}: {payload['reason']}")

    def _fate(self, line: int, index: int, serial: str, payload: Mapping[str, Any], whole: bool) -> None:
        of, event = str(payload["of"]), payload["event"]
        if whole and self._copies.get((serial, of)) != (payload["copy"], payload["label"]):
            self._report.find(line, index, "label of no print", f"It is about copy {payload['copy']} of the label of "
                              f"unit {serial}, printed by entry {payload['label']}; the log has no such latest label.")
        if event in (UNKNOWN, *ACCOUNTED):
            by = f", says {payload['by']}" if payload["by"] else ""
            why = f": {payload['reason']}" if payload["reason"] else ""
            self._report.note(line, index, f"label {event}", f"Copy {payload['copy']} ({of}) of unit {serial}{by}{why}")
