"""How large the record of a run can become: its ``end`` repeats everything, and a line of the log has a limit.

The largest end is made of the sequence's own texts and of the longest that a run can add to them. It is plain data
with the field names of ``records/entries.py`` (a test holds them equal), so that ``check`` need not load those.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from eolseq.bands.band import AcceptanceBand
from eolseq.sequence.finding import ERROR, Finding
from eolseq.sequence.model import LONGEST_SERIAL, Sequence
from eolseq.steps.base import Connections, Step

LONGEST_LINE = 65_535
"""Bytes of a line of the log, its newline not counted; the same as the log's own."""

HEAD = 700          # bytes of the payload's head: version, origin, index, root, time, boot, monotonic time
ENVELOPE = 260      # bytes around the payload: type, key, signature
CAUTIONS = 1_600    # bytes of the standard cautions
PEOPLE = 100        # bytes of an operator's name
IDENTITY = 120      # bytes of an instrument's reply to the identity question
NUMBER = "9" * 24   # a number, and an instrument's own text for it
NAME = "x" * 20     # an instrument's name, its model, its serial number; a bay; a version of the program
REASON = 700        # bytes of a sentence that says why a step was cut short
FIRST_READINGS = 3  # a step's sentence tells so many of its readings
EARLIER = 20        # so many earlier attempts are repeated
_MANY, _INDEX, _DIGEST = 10 ** 6, 10 ** 9, "f" * 64
_TRIP = AcceptanceBand(None, None, "a trip is a failure")
_APPLIED = "applied "


def largest_line(sequence: Sequence) -> int:
    """The most bytes that the line of a run's end can take."""
    import json  # compiles patterns; only a sequence that may be too large needs it

    return _line(len(json.dumps(largest_end(sequence), ensure_ascii=False, separators=(",", ":")).encode()))


def no_shorter(data: Any) -> int:
    """A number of bytes that plain data as JSON cannot exceed, found sooner than how many it takes.

    Python writes plain data no shorter than JSON does, but for quotation marks within a text and control characters.
    """
    text = repr(data)
    return len(text.encode()) + text.count('"') + 2 * text.count("\\x")


def _line(payload: int) -> int:
    return (payload + HEAD + 2) // 3 * 4 + ENVELOPE


def record_size(sequence: Sequence) -> Iterator[Finding]:
    """A sequence whose record may not fit one line is not run."""
    if _line(no_shorter(largest_end(sequence))) <= LONGEST_LINE:
        return
    needed = largest_line(sequence)
    if needed > LONGEST_LINE:
        yield Finding("record-too-large", sequence.item.place_of("steps"), f"the record of a run can take {needed} "
                      f"bytes, and {LONGEST_LINE} is the most; leave out steps or points, shorten 'basis' texts, or "
                      "make two sequences of it", ERROR)


def largest_end(sequence: Sequence) -> dict[str, Any]:
    """The fields of a run's end, each as long as it can be."""
    instruments = [
        {"name": NAME, "role": role, "identity": "x" * IDENTITY, "model": NAME, "serial": NAME,
         "calibrated_until": "2099-12-31", "verification": _INDEX, "counter": _INDEX}
        for role in (*sequence.roles(), "guard_unit")]
    return {
        "run": _INDEX, "serial": "x" * LONGEST_SERIAL, "outcome": "undecided", "sentence": "x" * REASON,
        "mode": "simulated", "trial": "yes", "bay": NAME, "attempt": _MANY, "earlier_count": _MANY,
        "earlier": [{"index": _INDEX, "outcome": "undecided", "leaf": _DIGEST}] * EARLIER,
        "withstand_applications": _MANY, "steps": [_step(step) for step in sequence.steps], "instruments": instruments,
        "operator": "x" * PEOPLE, "cautions": ["x" * CAUTIONS, *sequence.cautions],
        "sequence": {"name": sequence.name, "path": str(sequence.path), "digest": _DIGEST}, "approval": _INDEX,
        "software": NAME}


def _step(step: Step) -> dict[str, Any]:
    bands = step.bands()
    readings = [_measured(name, band) for name, band in bands if not name.startswith(_APPLIED)]
    if step.kind == "dielectric_withstand":
        readings.append(_measured("trip", _TRIP))
    longest = sorted((len(each["sentence"]) for each in readings), reverse=True)[:FIRST_READINGS]
    return {
        "name": step.name, "kind": step.kind, "outcome": "not reached", "sentence": "x" * (sum(longest) + REASON),
        "readings": readings,
        "applied": [_applied(name, band) for name, band in bands if name.startswith(_APPLIED)],
        "settings": step.settings_for_log(), "connections": _connections(step.connections)}


def _measured(name: str, band: AcceptanceBand) -> dict[str, Any]:
    low, high = _limits(band)
    sentence = 2 * len(name) + len(str(band)) + 220  # value, the band, why it is undecided and by which rule
    return {
        "name": name, "raw": NUMBER, "value": NUMBER, "unit": "mohm", "at_least": low, "at_most": high,
        "basis": band.basis, "outcome": "undecided", "sentence": "x" * sentence,
        "uncertainty": "9" * 16 + " ohm, k = 1.96", "rule": "x" * 90,
        "instrument": {"name": NAME, "model": NAME, "serial": NAME, "range": "x" * 12, "accuracy": "x" * 70},
        "conformance": "0.999999"}


def _applied(name: str, band: AcceptanceBand) -> dict[str, Any]:
    low, high = _limits(band)
    return {"name": name.removeprefix(_APPLIED), "lowest": NUMBER, "highest": NUMBER, "unit": "mohm", "at_least": low,
            "at_most": high, "samples": 10 ** 4}


def _limits(band: AcceptanceBand) -> tuple[str | None, str | None]:
    """The limits as text; in the unit of the reading they may take a few digits more."""
    at_least, at_most = (None if each is None else f"{each}000" for each in (band.at_least, band.at_most))
    return at_least, at_most


def _connections(connections: Connections) -> dict[str, Any]:
    return {"tied": list(connections.tied), "return": connections.returned,
            "closed": [{"part": each.part, "by": each.by, "delay": str(each.delay)} for each in connections.closed],
            "disconnected": list(connections.disconnected), "reconnected": list(connections.reconnected)}
