"""What commands that look into a station's records have in common: where they are, and which runs are asked for."""

from __future__ import annotations

import argparse
import re
import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from eolseq.errors import WrongUse

if TYPE_CHECKING:
    from eolseq.records.reader import Records
    from eolseq.records.runs import Run

FILTERS = ("instrument", "sequence", "outcome", "since", "until")


def add_filters(parser: argparse.ArgumentParser) -> None:
    """Declare by what runs can be looked up."""
    parser.add_argument("--instrument", metavar="NAME", help="only runs that used this instrument (name or serial)")
    parser.add_argument("--sequence", metavar="NAME", help="only runs of this sequence")
    parser.add_argument("--bay", metavar="NAME", help="only runs at this bay")
    parser.add_argument("--outcome", metavar="WORD", help="only runs that ended so: pass, fail, abandoned, open, ...")
    parser.add_argument("--since", metavar="DATE", type=date, help="only runs begun on this day or later (UTC)")
    parser.add_argument("--until", metavar="DATE", type=date, help="only runs begun on this day or earlier (UTC)")
    parser.add_argument("--reindex", action="store_true", help="make the index for these look-ups anew from the log")


def date(text: str) -> str:
    """A day, month or year as ISO 8601 writes it."""
    if not re.fullmatch(r"[0-9]{4}(-[0-9]{2}(-[0-9]{2})?)?", text):
        raise argparse.ArgumentTypeError(f"{text!r} is no date; write it as 2026-01-31, 2026-01 or 2026")
    return text


def asked_runs(found: Records, options: argparse.Namespace) -> list[Run]:
    """The runs that fit the serial and all filters given, oldest first; WrongUse when there is none."""
    filters = {name: getattr(options, name) for name in FILTERS}
    runs = [run for run in found.runs(options.serial) if options.bay in (None, run.bay)]
    if options.reindex or any(filters.values()):
        from eolseq.records.index import RunIndex

        index = RunIndex.open(found, lambda words: print(f"note: {words}", file=sys.stderr), anew=options.reindex)
        indices = set(index.find(serial=options.serial, **filters))
        index.close()
        runs = [run for run in runs if run.index in indices]
    if not runs and options.serial is not None:
        raise WrongUse(f"The log {found.path} holds no run on unit {options.serial}"
                       f"{' that fits' if options.bay or any(filters.values()) else ''}.",
                       "Check the serial; 'eolseq records' lists all units.")
    return runs


def records_folder(station: Path | None) -> Path:
    """The records folder that a station file names; ``records`` in the working folder without one."""
    if station is None:
        return Path("records")
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    return Path(load_station(find(station, shipped=True)).records)


def earlier_outcomes(runs: Sequence[Run], run: Run) -> str:
    """How earlier attempts on the same unit ended that did not pass: ``after 1 fail``; empty when there is none."""
    counted = Counter(each.outcome for each in runs if each.index < run.index and each.outcome != "pass")
    return "after " + ", ".join(f"{count} {outcome}" for outcome, count in counted.items()) if counted else ""


def accept_clock(station: Path | None, person: str) -> str:
    """Write into the log that a person says the computer's clock is right; what was done."""
    from eolseq.clock import SystemClock
    from eolseq.records.log import Log
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    if station is None:
        raise WrongUse("--clock-is-right writes into a log.", "Name its station with --station.")
    bench = load_station(find(station, shipped=True))
    clock = SystemClock()
    with Log.open(Path(bench.records), origin_name=bench.origin, key_path=Path(bench.key),
                  role="simulated station" if bench.simulated else "station", clock=clock) as log:
        index = log.accept_clock(person, "A person compared the computer's clock with another one.")
        log.checkpoint()
    return f"entry {index}: {person} says that the clock is right: {clock.now().isoformat(timespec='seconds')}"
