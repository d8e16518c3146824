"""``eolseq records``: list a station's runs, or show those on one unit."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands.lookup import accept_clock, add_filters, asked_runs, earlier_outcomes, records_folder
from eolseq.commands.unit_words import about_words, retest_words, standing_words, unit_state_of
from eolseq.errors import WrongUse

if TYPE_CHECKING:
    from eolseq.records.reader import Records
    from eolseq.records.runs import Run

NAME = "records"
HELP = "list the runs in a station's log, or show those on one unit"


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the unit, the station and the form of the answer."""
    parser.add_argument("serial", metavar="SERIAL", nargs="?", help="show the runs on this unit, the last one in full")
    parser.add_argument("--station", metavar="STATION", type=Path,
                        help="the station file that names the records folder (else: records, in the working folder)")
    parser.add_argument("--json", action="store_true", help="print one JSON document; words go to standard error")
    parser.add_argument("--challenges", action="store_true", help="show every challenge of the station instead")
    parser.add_argument("--retests", action="store_true", help="count the units that passed after they had not, with "
                        "nothing changed on them, by operator and bay")
    add_filters(parser)
    parser.add_argument("--clock-is-right", metavar="PERSON",
                        help="write into the log that this person says the computer's clock is right")
    parser.add_argument("--pdf", metavar="FILE", type=Path, help="write the last run on the unit as a page to file")


def run(options: argparse.Namespace) -> int:
    """List or show; 0 when the log holds what was asked for."""
    from eolseq.records.reader import Records

    if options.clock_is_right is not None:
        print(_visible(accept_clock(options.station, options.clock_is_right)))
        return 0
    found = Records.open(records_folder(options.station))
    if found.incomplete:
        print(f"note: the log ends in {found.incomplete} bytes of a line that is being written, or that a crash tore",
              file=sys.stderr)
    if options.challenges:
        return _challenges(found, options)
    if options.retests:
        for line in retest_words(found, as_json=options.json):
            print(line if options.json else _visible(line))
        return 0
    runs = asked_runs(found, options)
    if options.pdf is not None:
        print(_page_to_file(found, options.serial, options.pdf), file=sys.stderr if options.json else sys.stdout)
    closing = _closing(found, runs) if options.serial is not None else None
    state = unit_state_of(found, options) if options.serial is not None else None
    if options.json:
        document = _document(found, runs, options.serial, closing)
        if state is not None:
            document |= {"standing": str(state.standing),
                         "about": [dict(each.payload) for each in found.about(options.serial)]}
        print(json.dumps(document, indent=2))
        return 0
    for line in _words(found, runs, options.serial, closing):
        print(_visible(line))
    for line in [*about_words(found, options.serial), *standing_words(state)] if state is not None else ():
        print(_visible(line))
    return 0


def _challenges(found: Records, options: argparse.Namespace) -> int:
    """Every challenge, oldest first: what the station was shown, what it had to find, and what it found."""
    shown = [each for each in found.documents if each.kind == "challenge"]
    if options.json:
        print(json.dumps([dict(each.payload) for each in shown], indent=2))
        return 0
    if not shown:
        print("no challenge in this log")
    for each in shown:
        said = each.payload
        print(_visible(f"{said['time'][:19].replace('T', ' ')} UTC  entry {each.index}  {said['outcome'].upper()}  "
                       f"{said['sequence']['name']}, by {said['operator']}: {said['sentence']}"))
        for one in said["shown"]:
            print(_visible(f"  {one['outcome']:6}  {one['name']} ({one['serial']}, entry {one['run']}): "
                           f"{one['expected']}; {one['found']}"))
    from eolseq.commands.challenge_trend import trend_lines

    for line in trend_lines(found):
        print(_visible(line))
    return 0


def _page_to_file(found: Records, serial: str | None, path: Path) -> str:
    """Write the page; what was done. A file that is there already is not written over."""
    from eolseq.records.filing import sheet_of
    from eolseq.records.sheet import pdf_of

    if serial is None:
        raise WrongUse("--pdf is for one unit.", "Name its serial number.")
    page = pdf_of(sheet_of(found, serial))
    try:
        with path.open("xb") as stream:
            stream.write(page)
    except OSError as error:
        raise WrongUse(f"The page {path} cannot be written: {error.strerror}.", "Choose another name.") from error
    return f"wrote {path}"


def _closing(found: Records, runs: list[Run]) -> dict[str, Any] | None:
    """The ``end`` or ``abandon`` of the last run on the unit; None while it is open."""
    index = runs[-1].closed_by
    return None if index is None else found.entry(index).payload


def _document(found: Records, runs: list[Run], serial: str | None, closing: Mapping[str, Any] | None) -> dict[str, Any]:
    document: dict[str, Any] = {"log": str(found.path), "origin": found.origin, "simulated": found.simulated,
                                "entries": found.size, "runs": [_plain(each) for each in runs]}
    if serial is not None:
        document |= {"serial": serial, "last": closing}
    return document


def _plain(run: Run) -> dict[str, Any]:
    return {"run": run.index, "serial": run.serial, "attempt": run.attempt, "outcome": run.outcome, "mode": run.mode,
            "trial": run.trial, "bay": run.bay, "began": run.began, "ended": run.ended, "index": run.closed_by,
            "leaf": run.leaf.hex(), "energised": run.energised, "withstand_applications": run.withstand_applications}


def _words(found: Records, runs: list[Run], serial: str | None, closing: Mapping[str, Any] | None) -> list[str]:
    whose = found.origin + (" (SIMULATED)" if found.simulated else "")
    said = [f"log {found.path}, {found.size} entries, of {whose}", ""]
    wide = max([16, *(len(_visible(run.serial)) for run in runs)])
    bays = {run.bay for run in found.runs()}
    broad = max(map(len, {"bay", *map(_visible, bays)})) if len(bays) > 1 else 0  # one bay need not be told in each row
    said.append(f"{'began (UTC)':19}  {'unit':{wide}}  {'bay' if broad else '':{broad}}{'  ' if broad else ''}"
                f"{'attempt':>7}  {'outcome':9}  {'entry':>7}")
    said += [_row(run, wide, broad) + _before(found, run) for run in runs]
    if closing is not None:
        said += ["", *_last(closing, "SIMULATED " if runs[-1].mode == "simulated" else "")]
    if serial is not None:
        applied = sum(each.withstand_applications for each in found.runs(serial))
        attempts = len(found.runs(serial))
        said.append(f"withstand voltage was put on this unit {_so_many(applied, 'time')}, in "
                    f"{_so_many(attempts, 'attempt')}")
    if serial is not None and closing is None:
        said += ["", "last run: OPEN. It has no end; the next start of the station closes it as abandoned."]
    return said


def _so_many(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _row(run: Run, wide: int, broad: int) -> str:
    entry = run.index if run.closed_by is None else run.closed_by
    bay = f"{_visible(run.bay):{broad}}  " if broad else ""
    return (f"{run.began[:19].replace('T', ' ')}  {_visible(run.serial):{wide}}  {bay}{run.attempt:7}  "
            f"{run.outcome:9}  {entry:7}{_marks(run)}")


def _marks(run: Run) -> str:
    return ("  simulated" if run.mode == "simulated" else "") + ("  trial" if run.trial == "yes" else "")


def _before(found: Records, run: Run) -> str:
    """What a passing retest must not hide."""
    earlier = earlier_outcomes(found.runs(run.serial), run)
    return f"  {earlier}" if earlier else ""


def _last(closing: Mapping[str, Any], simulated: str) -> list[str]:
    if closing["kind"] == "abandon":
        return [f"last run: {simulated}ABANDONED. {closing['reason']}"]
    trial = "TRIAL " if closing["trial"] == "yes" else ""
    approved = "" if closing.get("approval") is None else f", approved in entry {closing['approval']}"
    said = [f"last run: {simulated}{trial}{closing['outcome'].upper()}. {closing['sentence']}",
            f"sequence {closing['sequence']['name']}{approved}, at {closing['bay']}, operator {closing['operator']}"]
    for step in closing["steps"]:
        said.append(f"  {step['outcome']:11}  {step['name']} ({step['kind']})")
        said += [f"               {_reading(each)}" for each in step["readings"]]
        said += [f"               {_applied(each)}" for each in step["applied"]]
    stood = (f"{each['name']} ({each['model']}, serial {each['serial']})" for each in closing["instruments"])
    return [*said, f"instruments at the bay: {', '.join(stood)}"]


def _reading(reading: Mapping[str, Any]) -> str:
    value = "no number" if reading["value"] is None else f"{reading['value']} {reading['unit']}"
    return f"{reading['name']}: {value}, {reading['outcome']} ({_band(reading)})"


def _applied(applied: Mapping[str, Any]) -> str:
    unit = applied["unit"]
    lowest, highest = ("no number" if value is None else f"{value} {unit}"
                       for value in (applied["lowest"], applied["highest"]))
    return f"applied {applied['name']}: {lowest} to {highest}, {applied['samples']} samples ({_band(applied)})"


def _band(judged: Mapping[str, Any]) -> str:
    words = (("at_least", "at least"), ("at_most", "at most"))
    limits = [f"{word} {judged[key]} {judged['unit']}" for key, word in words if judged[key] is not None]
    return ", ".join(limits) or "no band"


def _visible(text: str) -> str:
    """The text with whatever a terminal could act on written as an escape."""
    return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in text)
