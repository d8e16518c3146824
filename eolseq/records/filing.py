"""What a page to file says of a unit: gathered from the log, every entry's signature checked on the way.

Pure text and numbers; ``sheet.py`` puts it on paper. Digits are those of the record: a number is only shown in another
multiple of its unit, never rounded.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from eolseq.errors import NotGenuine, WrongUse
from eolseq.records.approvals import SEQUENCE, Standing
from eolseq.records.checkpoint import open_checkpoint
from eolseq.records.figures import drawn, drawn_all, in_multiple, limits_text, multiple_for, shown
from eolseq.records.note import NoteVerifier
from eolseq.records.reader import Records
from eolseq.records.runs import Run
from eolseq.records.scan import CHECKPOINT_NAME, read_if_there

_UNCERTAINTY = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?(\S*), k = \S+")


@dataclass(frozen=True, slots=True)
class Mark:
    """What is drawn in a band: its limits, a value or the lowest and highest, and half the width of the uncertainty.

    All are in one unit; None where there is none.
    """

    low: float | None
    high: float | None
    values: tuple[float, ...]
    half: float | None = None
    above: bool = False


@dataclass(frozen=True, slots=True)
class Line:
    """One reading or one thing applied: its name, its value and limits as text, outcome, small print, and its mark.

    ``why`` is the part of the small print that often is the same for several readings of a step.
    """

    name: str
    value: str
    limits: str
    outcome: str
    why: str
    raw: str
    mark: Mark


@dataclass(frozen=True, slots=True)
class StepPart:
    """One step on paper."""

    number: int
    name: str
    kind: str
    outcome: str
    sentence: str
    applied: tuple[Line, ...]
    readings: tuple[Line, ...]
    settings: str
    connections: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything on the page, in the order it is read."""

    serial: str
    outcome: str
    sentence: str
    simulated: bool
    trial: bool
    facts: tuple[tuple[str, str], ...]
    attempts: tuple[tuple[str, ...], ...]
    steps: tuple[StepPart, ...]
    instruments: tuple[tuple[str, ...], ...]
    cautions: tuple[str, ...]
    acknowledged: str
    approval: tuple[tuple[str, str], ...]
    proof: tuple[tuple[str, str], ...]


def sheet_of(records: Records, serial: str) -> Sheet:
    """The page of the last run on a unit; WrongUse when it has none that has ended."""
    runs = records.runs(serial)
    if not runs:
        raise WrongUse(f"The log {records.path} holds no run on unit {serial}.", "'eolseq records' lists all units.")
    run = runs[-1]
    if run.closed_by is None:
        raise WrongUse(f"The run on unit {serial} has not ended.", "Wait for its end, or start the station once.")
    begin, end = records.entry(run.index).payload, records.entry(run.closed_by).payload
    cut_off = end["kind"] == "abandon"
    return Sheet(
        serial=serial, outcome=run.outcome, sentence=str(end["reason"] if cut_off else end["sentence"]),
        simulated=run.mode == "simulated", trial=run.trial == "yes", facts=_facts(begin, run),
        attempts=tuple(_attempt(each) for each in runs),
        steps=tuple(_step(number, step) for number, step in enumerate(end.get("steps", ()), 1)),
        instruments=tuple(_instrument(each) for each in end.get("instruments", ())),
        cautions=tuple(begin["cautions"]), acknowledged=str(begin["operator"]),
        approval=(*_approval(records, begin, run), *_files(records, begin)), proof=_proof(records, run))


# -- parts ------------------------------------------------------------------------------------------------------


def _facts(begin: Mapping[str, Any], run: Run) -> tuple[tuple[str, str], ...]:
    sequence = begin["sequence"]
    return (("sequence", f"{sequence['name']} ({sequence['path']})"), ("SHA-256 of the sequence", sequence["digest"]),
            ("station", f"{begin['station']}, {begin['bay']}"), ("operator", begin["operator"]),
            ("attempt", f"{run.attempt} of this unit on this station"), ("began (UTC)", _time(run.began)),
            ("ended (UTC)", _time(run.ended or "")), ("program", f"eolseq {begin['software']}"))


def _time(text: str) -> str:
    return text[:19].replace("T", " ")


def _attempt(run: Run) -> tuple[str, ...]:
    marks = [word for word, is_so in (("simulated", run.mode == "simulated"), ("trial", run.trial == "yes"),
                                      ("voltage was on", run.energised)) if is_so]
    entry = run.index if run.closed_by is None else run.closed_by
    return (str(run.attempt), run.outcome.upper(), _time(run.began), ", ".join(marks), str(entry), run.leaf.hex()[:16])


def _step(number: int, step: Mapping[str, Any]) -> StepPart:
    settings = ", ".join(f"{name.replace('_', ' ')} {value}" for name, value in step["settings"].items())
    return StepPart(number, step["name"], step["kind"].replace("_", " "), step["outcome"], step["sentence"],
                    tuple(_applied(each) for each in step["applied"]),
                    tuple(_reading(each) for each in step["readings"]), settings, _connections(step["connections"]))


def _connections(connections: Mapping[str, Any]) -> str:
    said = []
    if connections.get("tied"):
        said.append("tied " + " and ".join(connections["tied"]))
    if connections.get("return"):
        said.append(f"return {connections['return']}")
    said += [f"{each['part']} closed by its {each['by']}, waited {each['delay']}"
             for each in connections.get("closed", ())]
    for name in ("disconnected", "reconnected"):
        if connections.get(name):
            said.append(f"{name}: " + ", ".join(connections[name]))
    return "; ".join(said)


def _reading(reading: Mapping[str, Any]) -> Line:
    unit, low, high, value = (reading[name] for name in ("unit", "at_least", "at_most", "value"))
    multiple = _reads_best(unit, value, high, low)
    sure = _UNCERTAINTY.fullmatch(reading["uncertainty"] or "")
    told = shown(value, unit, multiple) or "no number"
    if sure is not None and value is not None:
        told = f"{told.removesuffix(multiple).strip()} ± {in_multiple(sure[1], sure[2], multiple)}"
    used = reading["instrument"]
    behind = "" if used is None else f"; {used['name']} {used['model']} {used['serial']}" + (
        f", range {used['range']}, {used['accuracy']}" if used["range"] else "")
    doubt = f"U = {reading['uncertainty']}; " if reading["uncertainty"] else ""
    return Line(reading["name"], told, limits_text(low, high, unit, multiple), reading["outcome"],
                f"{reading['basis']}. Rule: {reading['rule']}{behind}", f"{doubt}raw reply {reading['raw'] or 'none'}",
                Mark(drawn(low, unit), drawn(high, unit), drawn_all(unit, value),
                     drawn(sure[1], sure[2]) if sure else None, value is None and reading["outcome"] == "fail"))


def _applied(applied: Mapping[str, Any]) -> Line:
    unit, low, high, most = (applied[name] for name in ("unit", "at_least", "at_most", "highest"))
    multiple = _reads_best(unit, most, high, low)
    lowest, highest = (shown(applied[name], unit, multiple) or "no number" for name in ("lowest", "highest"))
    told = lowest if lowest == highest else f"{lowest.removesuffix(multiple).strip()} to {highest}"
    return Line(f"applied {applied['name']}", told, limits_text(low, high, unit, multiple),
                "1 look" if applied["samples"] == 1 else f"{applied['samples']} looks", "", "",
                Mark(drawn(low, unit), drawn(high, unit), drawn_all(unit, applied["lowest"], most)))


def _reads_best(unit: str, *references: str | None) -> str:
    """The multiple for the first of the numbers that is there and not zero."""
    there = [each for each in references if each is not None and drawn(each, unit)]
    return multiple_for(unit, there[0]) if there else unit


def _instrument(each: Mapping[str, Any]) -> tuple[str, ...]:
    verified = each.get("verification")
    return (each["name"], each["role"].replace("_", " "), each["model"], each["serial"],
            each["calibrated_until"] or "not known", "none" if verified is None else f"entry {verified}")


def _approval(records: Records, begin: Mapping[str, Any], run: Run) -> tuple[tuple[str, str], ...]:
    index = begin["approval"]
    if index is None:
        why = "a trial: the sequence was not approved, and this run releases nothing" if run.trial == "yes" else \
            "none: a simulated station asks for none"
        return (("approval", why),)
    standing = Standing(records.documents)
    found = next((each for each in standing.approvals if (each.index, each.of) == (index, SEQUENCE)), None)
    if found is None or found.digest != begin["sequence"]["digest"]:
        return (("approval", f"DOUBTFUL: entry {index} does not approve this sequence. Show this to quality."),)
    signers = ", ".join(f"{key.holder} ({key.role}, key {key.key.keyid})" for key in found.signers)
    gone = standing.revoked_signer(found)
    doubt = () if gone is None else (("DOUBTFUL", f"the key of {gone.holder} is since revoked from this entry on"),)
    return (("approval", f"entry {found.index}, number {found.number}"), ("approved by", signers),
            ("author", found.author or ""), ("in force from", found.effective.isoformat()),
            ("reason", found.reason), *doubt)


def _files(records: Records, begin: Mapping[str, Any]) -> tuple[tuple[str, str], ...]:
    """Station file and driver pages by how their digests begin, each with the entry that approved it, if one did."""
    standing = Standing(records.documents)

    def told(digest: str) -> str:
        entries = [each.index for each in standing.approvals if each.digest == digest and each.index < begin["index"]]
        return f"{digest[:16]}" + (f" (entry {entries[-1]})" if entries else "")
    pages = ", ".join(f"{name} {told(digest)}" for name, digest in begin["pages"].items())
    return (("station file", told(begin["station_digest"])), ("driver pages", pages))


def _proof(records: Records, run: Run) -> tuple[tuple[str, str], ...]:
    note = read_if_there(records.path.with_name(CHECKPOINT_NAME))
    covered = "no checkpoint beside the log: a missing end would not show"
    if note is not None:
        try:
            size = open_checkpoint(note, NoteVerifier(records.origin, records.key)).size
            covered = f"of {size} entries, signed by the station's key" + (
                "" if (run.closed_by or 0) < size else "; it does NOT reach this entry yet")
        except NotGenuine as error:
            covered = f"NOT GENUINE: {error.what}"
    return (("log", records.origin), ("station key", records.key.keyid),
            ("entry", f"{run.closed_by} of {records.size}, signature verified; begun by entry {run.index}"),
            ("leaf hash", run.leaf.hex()),
            ("chain", f"every line up to entry {records.size - 1} is as the station's last signature says"),
            ("checkpoint", covered),
            ("to check it", "eolseq audit --bundle, or 'eolseq manual auditing' without this program"))
