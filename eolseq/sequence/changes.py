"""Old and new side by side: what an approver must see before signing."""

from __future__ import annotations

import difflib
from pathlib import Path

from eolseq.errors import FileMistakes
from eolseq.quantity import counted
from eolseq.records.approvals import SEQUENCE
from eolseq.sequence.load import read_sequence
from eolseq.sequence.model import Sequence

_NAME, _VALUE = 34, 28  # columns


def side_by_side(of: str, old: str | None, new: str) -> list[str]:
    """The changes from an approved text to a new one, as lines for people; limits of a sequence as a table first.

    ``old`` is None when nothing was approved before, or when its text was not kept.
    """
    said = _limits_table(old, new) if of == SEQUENCE else []
    if old is None:
        return [*said, f"  {counted(len(new.splitlines()), 'line')}, all new: no approved text to compare them with"]
    return [*said, *changed_lines(old, new)]


Limits = dict[tuple[str, str], str]
"""What a sequence says, as text, by step and by name of the limit or setting."""


def limits(sequence: Sequence) -> Limits:
    """Every limit and every setting of a sequence as text, in the order of the file."""
    found: Limits = {}
    for step in sequence.steps:
        found[step.name, "kind of step"] = step.kind
        found |= {(step.name, name): str(band) for name, band in step.bands()}
        found |= {(step.name, f"set {name}"): str(value) for name, value in step.settings_for_log().items()}
    return found


def _limits_table(old: str | None, new: str) -> list[str]:
    before, after = _limits_of(old), _limits_of(new)
    said = [f"    {'':{_NAME}}  {'approved before':{_VALUE}}  now"]
    last = ""
    for step, name in dict.fromkeys([*after, *before]):
        if step != last:
            said.append(f"  {step}")
            last = step
        said += _row(name, before.get((step, name), "-"), after.get((step, name), "-"))
    return said


def _limits_of(text: str | None) -> Limits:
    if text is None:
        return {}
    try:
        return limits(read_sequence(text.encode(), Path("approved")))
    except FileMistakes:  # approved under an older version of the program; its lines are still compared
        return {}


def _row(name: str, was: str, now: str) -> list[str]:
    """One row, marked if it changed, in as many lines as its longest cell needs; nothing is cut off."""
    import textwrap

    cells = [textwrap.wrap(text, width) or [""] for text, width in ((name, _NAME), (was, _VALUE), (now, _VALUE))]
    rows = []
    for i in range(max(map(len, cells))):
        first, second, third = (cell[i] if i < len(cell) else "" for cell in cells)
        mark = "*" if i == 0 and was != now else " "
        rows.append(f"  {mark} {first:{_NAME}}  {second:{_VALUE}}  {third}".rstrip())
    return rows


def changed_lines(old: str, new: str) -> list[str]:
    """Every line that was removed or added, with its number."""
    before, after = old.splitlines(), new.splitlines()
    said: list[str] = []
    for tag, i, j, k, m in difflib.SequenceMatcher(None, before, after, autojunk=False).get_opcodes():
        if tag != "equal":
            said += [f"  - line {n + 1}: {before[n]}" for n in range(i, j)]
            said += [f"  + line {n + 1}: {after[n]}" for n in range(k, m)]
    if not said and old != new:
        return ["  only line ends differ"]
    return said or ["  no line differs from what was approved before"]
