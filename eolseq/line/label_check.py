"""A scanned label held against a log: right, superseded, wrong, altered, or a proof that the log was rewritten.

The code carries the station's own signature under the log as it then was. So what does not fit is told apart: a code
whose signature does not stand was altered or made up; one whose signature stands on another root than the log's now
convicts the log.
"""

from __future__ import annotations

from dataclasses import dataclass

from eolseq.line.label import label_state
from eolseq.line.label_code import LabelCode
from eolseq.line.unit_state import state_of
from eolseq.records.label_entries import PRINT
from eolseq.records.merkle import CompactRange, leaf_hash
from eolseq.records.reader import Records

RIGHT, SUPERSEDED, WRONG, ALTERED, REWRITTEN = "right", "superseded", "wrong", "altered", "log rewritten"
_KEEP = "Keep the label and a copy of the records folder as they are, and show both to quality."


@dataclass(frozen=True, slots=True)
class LabelVerdict:
    """What a label is worth, in a word and a sentence; ``entry`` is the index of the entry it was printed by."""

    word: str
    sentence: str
    entry: int | None = None

    @property
    def good(self) -> bool:
        """Whether the label says what the log says, and still counts."""
        return self.word == RIGHT


def check_label(code: LabelCode, records: Records) -> LabelVerdict:
    """Hold a label's code against a log that was opened for reading."""
    at = code.checkpoint
    if at.origin != records.origin:
        return LabelVerdict(WRONG, f"The label is of another log, {at.origin}; this one is {records.origin}. Look in "
                            "the log it names.")
    if not records.key.verify(code.signature, code.signed_text().encode()):
        return LabelVerdict(ALTERED, "The station did not sign this label as it reads: it was altered, or made up. "
                            + _KEEP)
    if at.size > records.size:
        return LabelVerdict(REWRITTEN, f"The station signed this label when its log had {at.size} entries; it has "
                            f"{records.size} now: its end was cut off. " + _KEEP)
    if _root(records, at.size) != at.root:
        return LabelVerdict(REWRITTEN, f"The station signed this label over other first {at.size} entries than the log "
                            "has now: the log was rewritten. " + _KEEP)
    return _in_the_log(code, records)


def _root(records: Records, size: int) -> bytes:
    tree = CompactRange()
    for _, line in records.raw(0, size):
        tree.append(leaf_hash(line))
    return tree.root()


def _in_the_log(code: LabelCode, records: Records) -> LabelVerdict:
    """The code is the station's and the log is the one it was signed over: what does the log say of it now?"""
    entry = next((each.index for each in records.labels(code.serial)
                  if (each.event, each.copy, each.of, each.end) == (PRINT, code.copy, code.of, code.index)), None)
    if entry is None or records.entry(entry).payload.get("code") != code.text():
        return LabelVerdict(REWRITTEN, "The station signed this label, but the log has no entry that it was printed "
                            "by. " + _KEEP)
    what = f"Unit {code.serial}, copy {code.copy}, printed by entry {entry} on the pass in entry {code.index}"
    state = label_state(records.labels(code.serial), code.of)
    if state.copies != code.copy or not state.out:
        fate = f"copy {state.copies} was printed after it" if state.copies != code.copy else \
            f"it was reported {state.state}"
        return LabelVerdict(SUPERSEDED, f"{what}: {fate}. Take this label off and hand it in.", entry)
    unit = state_of(records, code.serial)
    if unit.passed is None or unit.passed.closed_by != code.index:
        return LabelVerdict(SUPERSEDED, f"{what}: it counts no more. {unit.sentence} Take this label off and set the "
                            "unit aside.", entry)
    note = " SIMULATED: it says nothing about a real unit." if code.simulated else ""
    return LabelVerdict(RIGHT, f"{what}. {unit.sentence}{note}", entry)
