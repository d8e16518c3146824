"""Reworks and voids that are entered while another process has the log, such as a shift: they wait beside it.

A person at a bench must be able to say at once what was done to a unit, and only one process writes the log. What is
handed in is a small file, written whole; the process that has the log takes it in before the next unit's gates, and any
command that opens the log takes it in first. What does not fit any more is set aside, and the log says so.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING, Any

from eolseq.errors import Refused, StationFault

if TYPE_CHECKING:
    from eolseq.records.log import Log
    from eolseq.station.file import Station

_ONE_AT_A_TIME = Lock()  # the bays of a station share a log, and each takes in before its next unit

FOLDER = "waiting"
LARGEST = 8_000  # bytes of one request
_FIELDS: dict[str, dict[str, type | tuple[type, ...]]] = {
    "rework": {"serial": str, "run": int, "sequence": str, "cause": str, "changed": (str, type(None)), "by": str},
    "void": {"serial": str, "reason": str, "by": str}}


def hand_in(station: Station, kind: str, fields: Mapping[str, Any]) -> str:
    """Leave a request for the process that has the log; what to say then. StationFault when it cannot be left."""
    from eolseq.clock import SystemClock

    folder = Path(station.records) / FOLDER
    name = f"{SystemClock().now():%Y%m%dT%H%M%S%f}-{os.getpid()}-{kind}.json"
    text = json.dumps({"v": 1, "kind": kind, **fields}, ensure_ascii=False)
    try:
        folder.mkdir(exist_ok=True)
        fresh = folder / f".{name}.new"
        with fresh.open("x", encoding="utf-8") as stream:
            stream.write(text)
            stream.flush()
            os.fsync(stream.fileno())
        fresh.replace(folder / name)
    except OSError as error:
        raise StationFault(f"The {kind} could not be handed in: {error.strerror}.",
                           "Write it down, and enter it when the other eolseq on this station has ended.") from error
    return (f"The station is in use, so the {kind} of unit {fields['serial']} is handed in. It is entered before the "
            "next unit is tested; 'eolseq records' then shows it.")


def take_in(log: Log, station: Station) -> list[str]:
    """Enter what is waiting, oldest first; a sentence for each. What does not fit is set aside, with a remark."""
    folder = Path(station.records) / FOLDER
    if not folder.is_dir():
        return []
    with _ONE_AT_A_TIME:
        return [_take_one(log, station, path) for path in sorted(folder.glob("*.json"))]


def _take_one(log: Log, station: Station, path: Path) -> str:
    from eolseq.records.entries import Remark

    serial: str | None = None
    try:
        asked = _read(path)
        serial = asked["serial"]
        said, place = _enter(log, station, asked), "done"
    except Refused as error:
        said, place = f"What was handed in as {path.name} is not entered. {error}", "refused"
        log.append(Remark(serial=serial, reason=said))
    try:
        (path.parent / place).mkdir(exist_ok=True)
        path.replace(path.parent / place / path.name)
    except OSError as error:
        raise StationFault(f"{path} cannot be set aside: {error.strerror}.",
                           "Check who may write to the records folder.") from error
    return said


def _read(path: Path) -> dict[str, Any]:
    """The fields of a request; Refused when it is none."""
    try:
        with path.open("rb") as stream:
            asked = json.loads(stream.read(LARGEST + 1))
        kind = asked.pop("kind")
        wanted = _FIELDS[kind]
        right = asked.pop("v") == 1 and set(asked) == set(wanted) and all(
            isinstance(asked[name], of) and not isinstance(asked[name], bool) for name, of in wanted.items())
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise Refused("It is no request of this program.", "Enter it again.") from error
    if not right:
        raise Refused("It is no request of this program.", "Enter it again.")
    return {**asked, "kind": kind}


def _enter(log: Log, station: Station, asked: dict[str, Any]) -> str:
    """Write what was asked for; Refused when it does not fit the unit's latest run any more."""
    from eolseq.commands.carrying import named
    from eolseq.commands.rework import entered
    from eolseq.commands.void import void_pass
    from eolseq.errors import WrongUse
    from eolseq.records.line_entries import Rework

    kind = asked.pop("kind")
    try:
        named(asked["by"])
    except WrongUse as error:
        raise Refused(error.what, error.do) from error
    if kind == "void":
        return void_pass(log, **asked)
    runs = log.runs(asked["serial"])
    if not runs or runs[-1].closed_by != asked["run"]:
        raise Refused(f"Unit {asked['serial']} was tested again after the run of entry {asked['run']}, or never.",
                      "Enter the rework again, for its latest run.")
    return " ".join(entered(log, station, Rework(**asked)))
