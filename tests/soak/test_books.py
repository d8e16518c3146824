"""The book-keeper of the soak sees what it is there for: each way in which a log could be wrong is a surprise to it."""

from __future__ import annotations

import json
from base64 import b64encode
from pathlib import Path
from typing import Any

import pytest

from tests.soak.books import Books
from tests.soak.plan import Mishap, Visit
from tests.soak.plant import Sheet

SERIAL = "DH6-00000001"
SOUND, BAD = Visit(SERIAL, None, True), Visit(SERIAL, "poor-bond", False)
BEGIN = {"kind": "begin", "serial": SERIAL, "attempt": 1}
ENERGISE = {"kind": "energise", "run": 0}


def end(outcome: str) -> dict[str, Any]:
    return {"kind": "end", "run": 0, "serial": SERIAL, "outcome": outcome}


def label(event: str, index: int, digest: str = "d") -> dict[str, Any]:
    return {"kind": "label", "serial": SERIAL, "event": event, "end": index, "copy": 1, "digest": digest}


PASSED = [BEGIN, ENERGISE, end("pass"), label("print", 2), label("printed", 2), label("read back", 2)]


def kept(folder: Path, visit: Visit, told: str, entries: list[dict[str, Any]], *, killed: bool = False,
         sheets: tuple[str, ...] = ("d",)) -> list[str]:
    """The surprises over one scan of a unit, what was told of it, and a log of these entries."""
    log = folder / "log.jsonl"
    books = Books(log)
    entry = books.scanned(visit)
    if told:
        books.told(entry, told, "told", energised=True)
    log.write_bytes(b"".join(json.dumps({"payload": b64encode(json.dumps({"index": index, **each}).encode()).decode()})
                             .encode() + b"\n" for index, each in enumerate(entries)))
    books.settle([Sheet(f"unit {SERIAL} entry 2 copy 1", digest) for digest in sheets], killed=killed)
    books.close()
    return books.surprises


def test_a_log_as_it_should_be_is_no_surprise(tmp_path: Path) -> None:
    assert kept(tmp_path, SOUND, "pass", PASSED) == []
    assert kept(tmp_path, BAD, "fail", [BEGIN, ENERGISE, end("fail")], sheets=()) == []
    cut = [BEGIN, ENERGISE, {"kind": "abandon", "run": 0, "serial": SERIAL}]
    assert kept(tmp_path, Visit(SERIAL, None, True, Mishap("kill", 1.0)), "", cut, killed=True, sheets=()) == []


WRONG: dict[str, tuple[Visit, str, list[dict[str, Any]], str]] = {
    "a defective unit passes": (BAD, "pass", PASSED, "A DEFECTIVE UNIT PASSED"),
    "a label without a pass": (BAD, "fail", [BEGIN, ENERGISE, end("fail"), label("print", 2)], "A LABEL WITHOUT A PASS"),
    "a label before the pass": (SOUND, "pass", [BEGIN, ENERGISE, label("print", 3), end("pass")], "A LABEL WITHOUT A PASS"),
    "no record at all": (SOUND, "pass", [], "the log has no run"),
    "another outcome than was told": (SOUND, "pass", [BEGIN, ENERGISE, end("stopped")], "told pass, the log says stopped"),
    "an output without its entry": (SOUND, "pass", [BEGIN, end("pass"), *PASSED[3:]], "the log has no energise"),
    "a run that is never closed": (SOUND, "pass", [BEGIN, ENERGISE], "runs still open"),
    "a run that is closed twice": (SOUND, "pass", [*PASSED, end("pass")], "closes run 0 again"),
    "a run of a unit that nobody scanned": (SOUND, "pass", [*PASSED, {**BEGIN, "serial": "DH6-00000002"}], "nobody scanned"),
    "an attempt left out": (SOUND, "pass", [{**BEGIN, "attempt": 2}, *PASSED[1:]], "attempt 2"),
    "a passed unit without its label": (SOUND, "pass", PASSED[:3], "its label is not on it"),
    "an entry is missing": (SOUND, "pass", [{**each, "index": index + (index > 3)} for index, each in enumerate(PASSED)],
                            "stands where"),
    "a refusal that nobody wrote down": (Visit(SERIAL, None, True, Mishap("clock back", 0.0)), "refused", [],
                                         "refused without a remark"),
    "paper that nobody wrote down": (SOUND, "pass", PASSED, "paper without its entry"),
}


@pytest.mark.parametrize("name", WRONG)
def test_each_way_in_which_a_log_could_be_wrong_is_a_surprise(name: str, tmp_path: Path) -> None:
    visit, told, entries, words = WRONG[name]
    sheets = ("d", "x") if name.startswith("paper") else ("d",) if any(e["kind"] == "label" for e in entries) else ()
    assert any(words in each for each in kept(tmp_path, visit, told, entries, sheets=sheets))
