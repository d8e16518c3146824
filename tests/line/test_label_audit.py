"""What an audit says of labels, from lines that the station signed, whatever they say."""

from __future__ import annotations

from typing import Any

import pytest

from eolseq.records.label_meaning import LabelsMeaning
from eolseq.records.report import AuditReport

BEGIN: dict[str, Any] = {"kind": "begin", "serial": "A"}
PASS: dict[str, Any] = {"kind": "end", "serial": "A", "outcome": "pass", "trial": "no"}
PRINT: dict[str, Any] = {"kind": "label", "serial": "A", "event": "print", "end": 1, "copy": 1, "of": "unit", "by": None,
                         "reason": None}
FATE: dict[str, Any] = {"kind": "label", "serial": "A", "event": "printed", "end": 1, "copy": 1, "of": "unit", "label": 2,
                        "by": None, "reason": None}
COPY = PRINT | {"copy": 2, "by": "op-07", "reason": "smeared"}

# name: (payloads from entry 0 on, (line, name) of each finding, (line, name) of each note)
SAID: dict[str, tuple[list[dict[str, Any]], list[tuple[int, str]], list[tuple[int, str]]]] = {
    "a label on a pass": ([BEGIN, PASS, PRINT, FATE], [], []),
    "a label and its carton's": ([BEGIN, PASS, PRINT, FATE, PRINT | {"of": "carton"}], [], []),
    "a label without a pass": ([BEGIN, PASS | {"outcome": "fail"}, PRINT], [(3, "label without a pass")], []),
    "a label on a trial": ([BEGIN, PASS | {"trial": "yes"}, PRINT], [(3, "label without a pass")], []),
    "a label of another unit": ([BEGIN, PASS, PRINT | {"serial": "B"}], [(3, "label without a pass")], []),
    "a label on an open run": ([BEGIN, PASS, BEGIN, PRINT], [(4, "label without a pass")], []),
    "a label after a void": ([BEGIN, PASS, {"kind": "void", "serial": "A"}, PRINT], [(4, "label without a pass")], []),
    "a label after a rework": ([BEGIN, PASS, {"kind": "rework", "serial": "A"}, PRINT], [(4, "label without a pass")], []),
    "a label that names another end": ([BEGIN, PASS, PRINT | {"end": 0}], [(3, "label without a pass")], []),
    "a second copy": ([BEGIN, PASS, PRINT, FATE | {"event": "destroyed", "by": "op-07"}, COPY], [],
                      [(4, "label destroyed"), (5, "another copy")]),
    "a copy left out": ([BEGIN, PASS, PRINT | {"copy": 2}], [(3, "copy miscounted")], [(3, "another copy")]),
    "the same copy twice": ([BEGIN, PASS, PRINT, PRINT], [(4, "copy miscounted")], []),
    "an unknown label": ([BEGIN, PASS, PRINT, FATE | {"event": "unknown", "reason": "paper out"}], [],
                         [(4, "label unknown")]),
    "the fate of no label": ([BEGIN, PASS, FATE], [(3, "label of no print")], []),
    "the fate of an older copy": ([BEGIN, PASS, PRINT, COPY, FATE], [(5, "label of no print")], [(4, "another copy")]),
}


def told(payloads: list[dict[str, Any]], *, whole: bool) -> AuditReport:
    report = AuditReport("log")
    meaning = LabelsMeaning(report)
    for index, payload in enumerate(payloads):
        meaning.take(index + 1, index, payload, whole=whole)
    return report


@pytest.mark.parametrize("name", SAID)
def test_what_an_auditor_is_told_of_labels(name: str) -> None:
    payloads, findings, notes = SAID[name]
    report = told(payloads, whole=True)
    assert [(each.line, each.name) for each in report.findings] == findings
    assert [(each.line, each.name) for each in report.notes] == notes


@pytest.mark.parametrize("name", SAID)
def test_what_lacks_its_other_half_is_no_finding_where_lines_are_missing(name: str) -> None:
    payloads, _, notes = SAID[name]
    report = told(payloads, whole=False)
    assert not report.findings
    assert [(each.line, each.name) for each in report.notes] == notes
