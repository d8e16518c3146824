"""Passes after a failure with nothing changed, counted by operator and bay."""

from __future__ import annotations

from pathlib import Path

import pytest

from eolseq.records.reader import Records
from eolseq.review.retests import KINDS, Retest, retests
from tests.line.stories import UNIT, run_of, tell
from tests.records.samples import open_log

# story -> whether its last pass counts, and the cause that is told
STORIES: dict[str, tuple[bool, str | None]] = {
    "pass": (False, None),
    "fail, pass": (True, None),
    "undecided, pass": (True, None),
    "fail, rework nothing, pass": (True, "a wire"),
    "fail, rework, pass": (False, None),
    "fail, rework, rework nothing, pass": (False, None),
    "fail, rework, fail, rework nothing, pass": (True, "a wire"),  # the change did not help
    "fail, stopped, pass": (True, None),
    "stopped, pass": (False, None),
    "fail, trial pass": (False, None),
    "trial fail, pass": (False, None),
    "fail, rework, pass, void, pass": (False, None),
}


@pytest.mark.parametrize("story", STORIES)
def test_stories(quick_path: Path, story: str) -> None:
    with open_log(quick_path) as log:
        indices = [tell(log, event) for event in story.split(", ")]
        log.checkpoint()
    found = retests(Records.open(quick_path / "records").payloads(KINDS)).found
    counts, cause = STORIES[story]
    assert [(each.passed, each.cause) for each in found] == ([(indices[-1], cause)] if counts else [])


def test_they_are_counted_by_who_let_it_pass_and_where(quick_path: Path) -> None:
    with open_log(quick_path) as log:
        for number, (first, then) in enumerate([("op-1", "op-2"), ("op-2", "op-2"), ("op-1", "op-1")]):
            serial = f"DH6-0000000{number}"
            run_of(log, "fail", serial, operator=first, bay="bay-1")
            run_of(log, "pass", serial, operator=then, bay="bay-2")
        run_of(log, "pass", "DH6-00000009", operator="op-2", bay="bay-1")
        run_of(log, "fail", "REFERENCE-1")
        run_of(log, "pass", "REFERENCE-1")
        log.checkpoint()
    result = retests(Records.open(quick_path / "records").payloads(KINDS))
    assert result.counted() == [("op-2", "bay-2", 2, 2), ("op-1", "bay-2", 1, 1), ("op-2", "bay-1", 0, 1)]
    assert result.found[0] == Retest("DH6-00000000", 3, 6, "op-2", "bay-2", None)
    assert UNIT in [each.serial for each in result.found]
