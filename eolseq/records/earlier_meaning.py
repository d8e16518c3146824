"""What an audit says of earlier checks: a run rests only on passes of its own unit that no later fail took back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from eolseq.records.report import AuditReport

EARLIER_KINDS = frozenset({"begin", "earlier_check"})
"""The kinds of entries that this looks at."""


class EarlierMeaning:
    """Follows the earlier checks of every unit in the order of the log."""

    def __init__(self, report: AuditReport) -> None:
        self._report = report
        self._passes: dict[str, dict[str, list[int]]] = {}  # serial -> check -> its passes; none after a fail

    def take(self, line: int, index: int, payload: Mapping[str, Any], *, whole: bool) -> None:
        """Take in one entry at a line (from 1) and index (from 0); ``whole``: no line is missing before it."""
        serial = str(payload["serial"])
        if payload["kind"] == "earlier_check":
            passes = self._passes.setdefault(serial, {}).setdefault(str(payload["check"]), [])
            if payload["result"] == "pass":
                passes.append(index)
            else:
                passes.clear()
        elif payload.get("earlier_checks") and whole:
            self._judge(line, index, serial, payload["earlier_checks"])

    def _judge(self, line: int, index: int, serial: str, rests_on: list[int]) -> None:
        good = {entry for passes in self._passes.get(serial, {}).values() for entry in passes}
        for entry in rests_on:
            if entry not in good:
                self._report.find(line, index, "earlier check does not do", f"The run on unit {serial} rests on entry "
                                  f"{entry}, which is no passed earlier check of this unit, or a fail came after it.")
