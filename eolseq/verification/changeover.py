"""What was changed at a bay since it was challenged: another fixture, work on the fixture, another sequence. Pure.

Reference units went through the leads as they were then. Whatever took them apart since, or mended them, has not been
shown to catch anything.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from eolseq.serials import reserved
from eolseq.verification.fixtures import Told, mounted_last

LOOKED_AT = frozenset({"begin", "challenge"})
"""The entries that tell which sequence was run since a challenge, newest first."""


def fixture_changed(told: tuple[Told, ...], since: int) -> str:
    """What was done about the fixture at the bay after an entry, in a sentence; empty when nothing was.

    A fixture that was measured as a matter of course and was in order both times is as it was.
    """
    at_bay = mounted_last(told)
    for each in told:
        if each.index <= since:
            continue
        if each.what == "mounted":
            return f"Fixture {each.fixture} was put to the bay (entry {each.index})"
        if each.fixture == at_bay and each.what == "inspected":
            return f"Fixture {each.fixture} was inspected or mended (entry {each.index})"
        if each.fixture == at_bay and _mended(told, each):
            return f"The {each.what} of fixture {each.fixture} was not in order (measured in entry {each.index})"
    return ""


def _mended(told: tuple[Told, ...], now: Told) -> bool:
    """Whether something was, or has been, wrong with what an entry says was measured."""
    before = [each for each in told if (each.fixture, each.what) == (now.fixture, now.what) and each.index < now.index]
    return now.outcome != "pass" or (bool(before) and before[-1].outcome != "pass")


def begun_with(newest: Iterable[Mapping[str, Any]], name: str, since: int, bay: str = "") -> list[datetime]:
    """When each unit was begun that was tested with a sequence after an entry, the newest first, as ``newest`` is."""
    found = []
    for payload in newest:
        if payload["index"] <= since:
            break
        if payload["kind"] == "begin" and not reserved(str(payload["serial"])) and bay in ("", payload["bay"]) \
                and payload["sequence"]["name"] == name:
            found.append(datetime.fromisoformat(payload["time"]))
    return found


def other_sequence(newest: Iterable[Mapping[str, Any]], name: str, since: int, bay: str = "") -> str:
    """The other sequence that units were tested with after an entry; empty when there was none.

    ``newest``: the entries of LOOKED_AT, the newest first. It ends at a released run of the very sequence: this same
    question was asked before that one.
    """
    for payload in newest:
        if payload["index"] <= since:
            return ""
        if payload["kind"] != "begin" or reserved(str(payload["serial"])) or (bay and payload["bay"] != bay):
            continue
        if payload["sequence"]["name"] != name:
            return str(payload["sequence"]["name"])
        if payload["trial"] == "no":
            return ""
    return ""
