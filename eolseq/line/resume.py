"""What a log says of the moment the program last ended: units under test, and a label that was not read back."""

from __future__ import annotations

from collections.abc import Sequence as Row
from dataclasses import dataclass, field

from eolseq.line.after_pass import ANOTHER, Pending
from eolseq.line.label import Label, PrintedLabel, label_state
from eolseq.line.unit_state import Standing, state_of
from eolseq.records.label_entries import PRINTED, READ_BACK
from eolseq.records.reader import Records
from eolseq.records.runs import Run
from eolseq.sequence.model import Sequence


@dataclass(frozen=True)
class Before:
    """The runs that were open when the program ended, oldest first, and the unit whose label is still to be settled.

    ``records`` is the log as it was read for this, None where there is none yet.
    """

    cut: tuple[Run, ...] = ()
    pending: Pending | None = None
    records: Records | None = field(default=None, compare=False, repr=False)

    def words(self, bay: str) -> tuple[tuple[str, str], ...]:
        """For each unit that was under test: what is required now and whether voltage may have been on; then where."""
        return tuple(
            (("VOLTAGE MAY HAVE BEEN ON: keep out until every output is proved off. "
              if each.energised else "Nothing had been energised. ")
             + f"Unit {each.serial} needs a new run from the start.",
             f"Unit {each.serial} was under test in {each.bay or bay} (entry {each.index}, attempt {each.attempt}). "
             "That run counts for nothing.") for each in self.cut)


def before(records: Records, sequences: Row[Sequence], *, labels: bool, bay: str | None = None) -> Before:
    """What the log says of the end of the last program that wrote it, at one bay where several are asked for."""
    cut = tuple(each for each in records.open_runs() if bay is None or each.bay == bay)
    last = records.last_on_a_unit(bay or "") if labels else None
    return Before(cut, None if last is None else _pending(records, last, sequences), records)


def _pending(records: Records, last: Run, sequences: Row[Sequence]) -> Pending | None:
    """The last unit, if it passed and its label was never read back on it."""
    sequence = next((each for each in sequences if each.unit.fits(last.serial)), None)
    unit = state_of(records, last.serial)
    if sequence is None or unit.standing is not Standing.PASSED or unit.passed is None:
        return None
    state = label_state(records.labels(last.serial))
    if state.end != unit.passed.closed_by:
        return Pending(last.serial, sequence, trouble=f"Unit {last.serial} passed before the program ended, and has no "
                       "label yet.", todo="To print it, type =not-found.")
    if not state.out or state.state == READ_BACK:
        return None
    payload = records.entry(state.entry).payload
    said = {name: str(payload["said"][name]) for name in Label.__dataclass_fields__ if name in payload["said"]}
    printed = PrintedLabel(Label("unit", records.simulated, **said), str(payload["code"]), state.entry)
    sure = state.state == PRINTED
    trouble = "" if sure else (f"Nobody knows whether the label of unit {last.serial} was printed when the program "
                               "ended.")
    return Pending(last.serial, sequence, printed, sure, trouble, "" if sure else f"Look at the printer. {ANOTHER}")
