"""How large the record of a run can become: its ``end`` repeats everything, and a line of the log has a limit.

The largest end is made of the sequence's own texts and of the longest that a run can add to them.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from eolseq.bands.band import AcceptanceBand
from eolseq.records import entries
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
NUMBER = 24         # bytes of a number, and of an instrument's own text for it
SERIAL = 40         # bytes of an instrument's serial number
REASON = 700        # bytes of a sentence that says why a step was cut short
FIRST_READINGS = 3  # a step's sentence tells so many of its readings


def largest_line(sequence: Sequence) -> int:
    """The most bytes that the line of a run's end can take."""
    text = json.dumps(asdict(_end(sequence)), ensure_ascii=False, separators=(",", ":"))
    payload = len(text.encode()) + HEAD
    return (payload + 2) // 3 * 4 + ENVELOPE


def record_size(sequence: Sequence) -> Iterator[Finding]:
    """A sequence whose record may not fit one line is not run."""
    needed = largest_line(sequence)
    if needed > LONGEST_LINE:
        yield Finding("record-too-large", sequence.item.place_of("steps"), f"the record of a run can take {needed} "
                      f"bytes, and {LONGEST_LINE} is the most; leave out steps or points, shorten 'basis' texts, or "
                      "make two sequences of it", ERROR)


def _end(sequence: Sequence) -> entries.End:
    roles = (*sequence.roles(), "guard_unit")
    return entries.End(
        run=10 ** 9, serial="x" * LONGEST_SERIAL, outcome="undecided", sentence="x" * REASON, mode="simulated",
        trial="yes", bay="x" * 20, attempt=10 ** 6, earlier_count=10 ** 6, withstand_applications=10 ** 6,
        earlier=tuple(entries.EarlierAttempt(10 ** 9, "undecided", "f" * 64) for _ in range(entries.EARLIER_KEPT)),
        steps=tuple(_step(step) for step in sequence.steps),
        instruments=tuple(entries.InstrumentStanding("x" * 20, role, "x" * IDENTITY, "x" * 20, "x" * SERIAL,
                                                     "2099-12-31", 10 ** 9, 10 ** 9) for role in roles),
        operator="x" * PEOPLE, cautions=("x" * CAUTIONS, *sequence.cautions),
        sequence=entries.SequenceUsed(sequence.name, str(sequence.path), "f" * 64), approval=10 ** 9, software="x" * 20)


def _step(step: Step) -> entries.StepDone:
    readings = [_measured(name, band) for name, band in step.bands() if not name.startswith("applied ")]
    if step.kind == "dielectric_withstand":
        readings.append(_measured("trip", AcceptanceBand(None, None, "a trip is a failure")))
    longest = sorted((len(each.sentence) for each in readings), reverse=True)[:FIRST_READINGS]
    return entries.StepDone(
        step.name, step.kind, "not reached", "x" * (sum(longest) + REASON), tuple(readings),
        tuple(entries.Applied(name.removeprefix("applied "), "9" * NUMBER, "9" * NUMBER, "x" * 4, *_limits(band),
                              10 ** 4) for name, band in step.bands() if name.startswith("applied ")),
        step.settings_for_log(), _connections(step.connections))


def _measured(name: str, band: AcceptanceBand) -> entries.Measured:
    sentence = 2 * len(name) + len(str(band)) + 220  # value, the band, why it is undecided and by which rule
    low, high = _limits(band)
    return entries.Measured(
        name=name, raw="9" * NUMBER, value="9" * NUMBER, unit="x" * 4, at_least=low, at_most=high,
        basis=band.basis, outcome="undecided", sentence="x" * sentence, uncertainty="9" * 16 + " ohm, k = 1.96",
        rule="x" * 90, conformance="0.999999",
        instrument=entries.InstrumentUsed("x" * 20, "x" * 20, "x" * 20, "x" * 12, "x" * 70))


def _limits(band: AcceptanceBand) -> tuple[str | None, str | None]:
    at_least, at_most = (None if each is None else str(each) + "000" for each in (band.at_least, band.at_most))
    return at_least, at_most


def _connections(connections: Connections) -> dict[str, Any]:
    return {"tied": list(connections.tied), "return": connections.returned,
            "closed": [{"part": each.part, "by": each.by, "delay": str(each.delay)} for each in connections.closed],
            "disconnected": list(connections.disconnected), "reconnected": list(connections.reconnected)}
