"""Whether a box may be closed: the unit's label is on it, and its log audits clean since its last checkpoint."""

from __future__ import annotations

from eolseq.errors import Refused
from eolseq.line.label import label_state
from eolseq.quantity import counted
from eolseq.records.audit import audit
from eolseq.records.label_entries import PRINTED, READ_BACK
from eolseq.records.log import Log
from eolseq.records.runs import Run
from eolseq.records.scan import CHECKPOINT_NAME, read_if_there

_NO_BOX = "Do not close the box."


def refuse_box(log: Log, serial: str, run: Run) -> None:
    """Refused unless the unit's own label stands on this passing run and the log is in order."""
    state = label_state(log.labels(serial))
    if state.state not in (PRINTED, READ_BACK) or state.end != run.closed_by:
        what = {"none": "has no label yet", "print": "has a label of which nobody knows whether it was printed",
                "unknown": "has a label of which nobody knows whether it was printed"}
        told = what.get(state.state, f"has a label that was {state.state}") if state.end in (-1, run.closed_by) else \
            "has a label of an earlier run"
        raise Refused(f"Unit {serial} {told}.", f"{_NO_BOX} See to its own label first: eolseq label {serial}.")
    note = read_if_there(log.path.with_name(CHECKPOINT_NAME))
    if note is None:
        raise Refused("The log has no checkpoint.", f"{_NO_BOX} Show the records folder to quality.")
    report = audit(log.path, since=note)
    if report.findings_count:
        first = report.findings[0]
        raise Refused(f"The log does not audit clean: {counted(report.findings_count, 'finding')}, the first in line "
                      f"{first.line}: {first.name}.",
                      f"{_NO_BOX} Keep a copy of the records folder as it is; show it to quality.")
