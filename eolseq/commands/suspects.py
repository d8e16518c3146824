"""``eolseq suspects``: the units tested since an instrument was last verified as good, or since the last challenge."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands.lookup import records_folder
from eolseq.quantity import counted

if TYPE_CHECKING:
    from eolseq.records.instruments import Suspect, Suspects
    from eolseq.records.reader import Records
    from eolseq.records.unshown import Unshown

NAME = "suspects"
HELP = """list the units that an instrument tested since it was last verified as good

Without an instrument: the units, by bay, that no passed challenge followed; a missed reference unit casts doubt on
them."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the instrument, how far to look, the station and the form of the answer."""
    parser.add_argument("instrument", metavar="INSTRUMENT", nargs="?", help="its serial number, or its name in the "
                        "station file; left out: whatever no passed challenge followed")
    parser.add_argument("--until", metavar="INDEX", type=int,
                        help="the last entry of the log that counts, such as the verification that failed (else: all)")
    parser.add_argument("--station", metavar="STATION", type=Path,
                        help="the station file that names the records folder (else: records, in the working folder)")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(options: argparse.Namespace) -> int:
    """List the suspect units; 0 whether there are some or none."""
    from eolseq.records.instruments import suspects
    from eolseq.records.reader import Records

    found = Records.open(records_folder(options.station))
    if options.instrument is None:
        return _unshown(found, options)
    listed = suspects(found, options.instrument, options.until)
    if options.json:
        print(json.dumps(_document(found, options, listed), indent=2))
        return 0
    for line in _words(found, listed):
        print("".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in line))
    return 0


def _words(found: Records, listed: list[Suspects]) -> list[str]:
    head = f"log {found.path}, of {found.origin}{' (SIMULATED)' if found.simulated else ''}"
    return [head, *suspect_lines(listed)]


def _unshown(found: Records, options: argparse.Namespace) -> int:
    from eolseq.records.unshown import unshown

    listed = unshown(found, options.until)
    if options.json:
        print(json.dumps({**_head(found, options), "bays": [{
            "bay": each.bay, "since": each.since, "units": each.units, "runs": [_run(run) for run in each.runs]}
            for each in listed]}, indent=2))
        return 0
    for line in [*_words(found, []), *unshown_lines(listed)]:
        print("".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in line))
    return 0


def unshown_lines(listed: list[Unshown]) -> list[str]:
    """The units of each bay that no passed challenge followed, for people."""
    said = []
    for each in listed:
        since = "no challenge was passed in this log" if each.since is None else \
            f"last challenge passed in entry {each.since}"
        said += ["", f"{each.bay}: {since}; {counted(len(each.units), 'unit')} with no passed challenge after it",
                 *(_line(run) for run in each.runs)]
    return said


def _line(run: Suspect) -> str:
    return f"  {run.serial:16}  attempt {run.attempt}  {run.outcome:9}  {run.began[:19].replace('T', ' ')} UTC  " \
           f"entry {run.entry}"


def suspect_lines(listed: list[Suspects]) -> list[str]:
    """The lists of suspect units for people, one after the other."""
    said = []
    for each in listed:
        what = f"{each.instrument.model} {each.instrument.serial}".strip() or "no model or serial number known"
        since = "never verified as good in this log" if each.since is None else \
            f"last verified as good in entry {each.since}"
        said += ["", f"{each.name} ({what}): {since}; {counted(len(each.units), 'unit')} tested on it since"]
        said += [_line(run) for run in each.runs.values()]
    return said


def _document(found: Records, options: argparse.Namespace, listed: list[Suspects]) -> dict[str, Any]:
    return {**_head(found, options), "instruments": [{
        "name": each.name, "model": each.instrument.model, "serial": each.instrument.serial, "since": each.since,
        "units": each.units, "runs": [_run(run) for run in each.runs.values()]} for each in listed]}


def _head(found: Records, options: argparse.Namespace) -> dict[str, Any]:
    return {"log": str(found.path), "origin": found.origin, "simulated": found.simulated, "until": options.until}


def _run(run: Suspect) -> dict[str, Any]:
    return {"serial": run.serial, "run": run.run, "attempt": run.attempt, "outcome": run.outcome, "began": run.began,
            "entry": run.entry}
