"""``eolseq check --bands``: how every band of a sequence was worked out, and a table of its limits to print."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from eolseq.sequence.derive import workings

if TYPE_CHECKING:
    from eolseq.bands.band import AcceptanceBand
    from eolseq.bands.working import Worked
    from eolseq.sequence.model import Sequence

NOT_APPROVED = "not approved"
_AS_WRITTEN = "as its basis says"


class Limit(NamedTuple):
    """One row of the table of limits; ``source`` is clause and edition, ``basis`` how the limit follows from it."""

    step: str
    what: str
    limit: str
    source: str
    standing: str
    basis: str
    approver: str


def approver(sequence: Sequence, folder: Path | None) -> str:
    """Who approved these very bytes, by a station's log; NOT_APPROVED without a log, an approval, or a good key."""
    if folder is None or not (folder / "log.jsonl").exists():
        return NOT_APPROVED
    from eolseq.records.approvals import SEQUENCE, Standing
    from eolseq.records.reader import Records

    standing = Standing(Records.open(folder).documents)
    latest = standing.latest(SEQUENCE, sequence.name)
    if latest is None or latest.digest != sequence.digest or standing.revoked_signer(latest) is not None:
        return NOT_APPROVED
    return ", ".join(f"{each.holder} ({each.role})" for each in latest.signers) + f", entry {latest.index}"


# -- the document ----------------------------------------------------------------------------------------------


def document(sequence: Sequence, approved_by: str) -> dict[str, Any]:
    """The steps with their bands and workings, and the table of limits."""
    return {"sequence": sequence.name, "version": sequence.version, "digest": sequence.digest,
            "approver": approved_by, "steps": [_step(sequence, index) for index in range(len(sequence.steps))],
            "limits": [each._asdict() for each in limits(sequence, approved_by)]}


def _step(sequence: Sequence, index: int) -> dict[str, Any]:
    """The band of the reading and how it was worked out; what is applied and what is left stand under ``others``."""
    step = sequence.steps[index]
    found = dict(workings(sequence.items[index]))
    return {"number": index + 1, "kind": step.kind, "name": step.name, **_worked(found.pop("band")),
            "others": [{"name": name, **_worked(worked)} for name, worked in found.items()]}


def _worked(worked: Worked) -> dict[str, Any]:
    band, working = worked
    return {"band": {"at_least": _text(band.at_least), "at_most": _text(band.at_most), "basis": band.basis},
            "from": working.form, "inputs": dict(working.inputs), "formula": "; ".join(working.formula),
            "source": _source(worked), "standing": _standing(worked),
            "sources": [{"text": each.text, "standing": str(each.standing)} for each in working.sources],
            "notes": list(working.notes)}


def _text(limit: object | None) -> str | None:
    return None if limit is None else str(limit)


def _source(worked: Worked) -> str:
    return worked.working.source if worked.working.sources else worked.band.basis


def _standing(worked: Worked) -> str:
    return worked.working.standing if worked.working.sources else _AS_WRITTEN


# -- the table of limits ---------------------------------------------------------------------------------------


def limits(sequence: Sequence, approved_by: str) -> list[Limit]:
    """Every limit of a sequence: the limit, clause and edition, how it follows, and who approved it."""
    return [row for index in range(len(sequence.steps)) for row in _limits_of(sequence, index, approved_by)]


def _limits_of(sequence: Sequence, index: int, approved_by: str) -> Iterator[Limit]:
    step = sequence.steps[index]
    found = dict(workings(sequence.items[index]))
    for name, worked in found.items():
        what = "reading" if name == "band" else name
        basis = "; ".join(worked.working.formula) or worked.band.basis or "written"
        yield Limit(step.name, what, str(worked.band), _source(worked) or "none", _standing(worked), basis, approved_by)
    for name, band in _others(step.bands(), found):
        yield Limit(step.name, name, str(band), "the step's own settings", "stated", band.basis, approved_by)


def _others(bands: tuple[tuple[str, AcceptanceBand], ...],
            found: Mapping[str, Any]) -> Iterator[tuple[str, AcceptanceBand]]:
    """Bands of what is applied that a step makes of its settings, such as that a motor has settled."""
    return ((name, band) for name, band in bands if name.startswith("applied") and name not in found)


# -- the words -------------------------------------------------------------------------------------------------


def words(sequence: Sequence, approved_by: str) -> list[str]:
    """The workings of every step, then the table of limits, as lines."""
    said = [f"{sequence.name}, version {sequence.version}: how the bands are worked out", ""]
    for number, (step, item) in enumerate(zip(sequence.steps, sequence.items, strict=True), 1):
        said.append(f"{number}. {step.name} ({step.kind})")
        for name, worked in workings(item):
            said += _working_words("reading" if name == "band" else name, worked)
    return [*said, "", *_table(limits(sequence, approved_by)), ""]


def _working_words(name: str, worked: Worked) -> list[str]:
    band, working = worked
    said = [f"   {name}: {band}"]
    said += [f"     {what}: {value}" for what, value in working.inputs]
    said += [f"     = {line}" for line in working.formula]
    said += [f"     source: {each}" for each in working.sources] or [f"     written: {band.basis or 'no basis given'}"]
    return [*said, *(f"     note: {each}" for each in working.notes)]


def _table(rows: list[Limit]) -> list[str]:
    """The limits as a table that prints well and that other programs read: one row a line, cells between bars."""
    heads = ("step", "what", "limit", "clause and edition", "standing", "basis", "approver")
    cells = [heads, tuple("-" * len(head) for head in heads), *rows]
    return ["| " + " | ".join(cell.replace("|", "/") for cell in row) + " |" for row in cells]
