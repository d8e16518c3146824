"""What an audit says of the earlier checks that runs rest on, from lines that the station signed, whatever they say."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from eolseq.records.audit import audit
from eolseq.records.chunks import NEEDED
from eolseq.records.earlier_meaning import EarlierMeaning
from eolseq.records.report import AuditReport
from tests.line.stories import UNIT, tell
from tests.records.samples import begin, end, open_log

LEAK: dict[str, Any] = {"kind": "earlier_check", "serial": "A", "check": "tracer-gas-leak", "result": "pass"}
WIRING = LEAK | {"check": "wiring-inspection"}
BAD = LEAK | {"result": "fail"}
OTHER = LEAK | {"serial": "B"}


def begins(*entries: int) -> dict[str, Any]:
    return {"kind": "begin", "serial": "A", "earlier_checks": list(entries)}


# name: (payloads from entry 0 on, the line of each finding)
SAID: dict[str, tuple[list[dict[str, Any]], list[int]]] = {
    "nothing needed": ([begins()], []),
    "an old log": ([{"kind": "begin", "serial": "A"}], []),
    "both passed": ([LEAK, WIRING, begins(0, 1)], []),
    "passed twice": ([LEAK, LEAK, begins(0)], []),
    "made good": ([BAD, LEAK, begins(1)], []),
    "a fail": ([BAD, begins(0)], [2]),
    "a pass that failed later": ([LEAK, BAD, begins(0)], [3]),
    "a pass before a fail that was made good": ([LEAK, BAD, LEAK, begins(0)], [4]),
    "another check's fail": ([LEAK, WIRING | {"result": "fail"}, begins(0)], []),
    "another unit's": ([OTHER, begins(0)], [2]),
    "another unit's fail": ([LEAK, OTHER | {"result": "fail"}, begins(0)], []),
    "no such entry": ([LEAK, begins(7)], [2]),
    "itself": ([begins(0)], [1]),
    "a run": ([begins(), begins(0)], [2]),
    "one of two": ([LEAK, begins(0, 3)], [2]),
}


@pytest.mark.parametrize("name", SAID)
@pytest.mark.parametrize("whole", [True, False])
def test_what_an_auditor_is_told_of_earlier_checks(name: str, whole: bool) -> None:
    payloads, findings = SAID[name]
    report = AuditReport("log")
    meaning = EarlierMeaning(report)
    for index, payload in enumerate(payloads):
        meaning.take(index + 1, index, {key: payload.get(key) for key in NEEDED}, whole=whole)
    assert [each.line for each in report.findings] == (findings if whole else [])
    assert {each.name for each in report.findings} <= {"earlier check does not do"}


@pytest.mark.parametrize(("word", "findings"), [("pass", 0), ("fail", 1)])
def test_in_a_whole_log(quick_path: Path, word: str, findings: int) -> None:
    with open_log(quick_path) as log:
        entry = tell(log, f"leak {word} 10")
        run = log.append(replace(begin(log, UNIT), earlier_checks=(entry,)))
        log.append(end(log, run, UNIT, "pass"))
        log.checkpoint()
        path = log.path
    report = audit(path)
    assert [(each.line, each.name) for each in report.findings] == [(run + 1, "earlier check does not do")] * findings
