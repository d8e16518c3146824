"""``eolseq review``: what the records say of the line, for its lead."""

from __future__ import annotations

import argparse
import json
import sys
import textwrap
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands.lookup import date
from eolseq.errors import WrongUse
from eolseq.station.plant_time import UTC_TIME, PlantTime

if TYPE_CHECKING:
    from eolseq.records.reader import Records
    from eolseq.review.review import Review
    from eolseq.review.window import Window
    from eolseq.station.file import Station

NAME = "review"
LAST = -1  # where --shift names no entry
MOST_NAMED = 5  # shifts that are named where none begins with an entry
Entries = Iterable[tuple[int, Mapping[str, Any]]]
HELP = """what a log says of the line: yield, failures, stops, bays, drift, pace

What wants somebody to look comes first. Trials, reference units and simulated runs never count among real ones."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the station, the window and the form of the answer."""
    parser.add_argument("--station", metavar="STATION", type=Path,
                        help="the station file that names the records folder (else: records, in the working folder)")
    parser.add_argument("--since", metavar="DATE", type=date, help="only runs begun on this day or later")
    parser.add_argument("--until", metavar="DATE", type=date,
                        help="only runs begun on this day or earlier; days of the station's zone, without one UTC")
    parser.add_argument("--shift", metavar="ENTRY", nargs="?", type=int, const=LAST,
                        help="only the last shift, or that which began with this entry of the log")
    parser.add_argument("--json", action="store_true", help="print one JSON document; words go to standard error")
    parser.add_argument("--pdf", metavar="FILE", type=Path, help="write it as a page to sign and to file")
    parser.add_argument("--watch", action="store_true", help="show the shift that is on, again and again, until Ctrl-C")
    parser.add_argument("--paper", metavar=("SIZE", "ROOT"), nargs=2,
                        help="say instead whether the log still has the entries of which a page gives size and root")


def run(options: argparse.Namespace) -> int:
    """Review the log; 0 whatever it says, since a bad day is no error. For --paper, 1 when the root is another."""
    from eolseq.records.reader import Records
    from eolseq.review.words import lines

    folder, takt, plant = _folder(options.station)
    if options.watch:
        return _watched(folder, takt, plant, options)
    found = Records.open(folder)
    if options.paper is not None:
        return _held(found, *options.paper)
    done = review_of(found, _window(found, options, plant), takt, plant)
    if options.pdf is not None:
        print(_page(done, options.pdf), file=sys.stderr if options.json else sys.stdout)
    if options.json:
        print(json.dumps(_document(done), indent=2))
        return 0
    for line in lines(done):
        print(visible(line))
    return 0


def _watched(folder: Path, takt: float | None, plant: PlantTime, options: argparse.Namespace) -> int:
    """Watch the shift; WrongUse with anything that asks for another window or form."""
    from eolseq.commands.watching import run_watch

    if options.since or options.until or options.json or options.pdf or options.paper:
        raise WrongUse("--watch shows the shift that is on, and nothing else.",
                       "Leave --since, --until, --json, --pdf and --paper out, or --watch.")
    return run_watch(folder, takt, plant)


def review_of(found: Records, window: Window, takt: float | None, plant: PlantTime = UTC_TIME,
              through: Callable[[Entries], Entries] = lambda entries: entries) -> Review:
    """The review of an opened log; its entries come ``through`` something that may raise what ends it."""
    from eolseq.review.review import KINDS, LogFacts, review

    facts = LogFacts(str(found.path), found.origin, found.size, found.root.hex(), found.simulated)
    return review(through(found.payloads(KINDS)), facts, window, takt, plant)


def pace_of(station: Station) -> tuple[float | None, PlantTime]:
    """A station's takt (seconds), and its own time with its breaks."""
    return None if station.shift is None else station.shift.takt, station.plant


def shift_window(found: Records, entry: int = LAST) -> Window:
    """The window of the last shift in a log, or of the one that began with an entry; WrongUse when there is none."""
    from eolseq.review.window import shifts

    marks = [(index, str(payload["event"]), str(payload["bay"]))
             for index, payload in found.payloads(frozenset({"shift"}))]
    windows = shifts(marks)
    if not windows:
        raise WrongUse(f"The log {found.path} has no shift.", "Leave --shift out, or give --since and --until.")
    window = windows[-1] if entry == LAST else next((each for each in windows if each.first == entry), None)
    if window is None:
        begun = ", ".join(str(each.first) for each in windows[-MOST_NAMED:])
        raise WrongUse(f"No shift begins with entry {entry}.", f"The last ones begin with {begun}.")
    return window


def say_shift(station: Station, path: Path, paper: str = "") -> None:
    """Print the short review of the shift that has just ended, and what came of its page, if it has one.

    A review that cannot be made is told, and changes nothing.
    """
    from eolseq.errors import EolseqError
    from eolseq.records.reader import Records
    from eolseq.review.words import brief

    try:
        found = Records.open(Path(station.records))
        said = brief(review_of(found, shift_window(found), *pace_of(station)))
    except EolseqError as error:
        said = [f"The shift could not be reviewed. {error}"]
    print()
    for line in [*said, *textwrap.wrap(paper, 78, break_on_hyphens=False),
                 f"all of it: eolseq review --shift --station {path} (on paper: --pdf FILE)"]:
        print(visible(line))


def _folder(station: Path | None) -> tuple[Path, float | None, PlantTime]:
    """The records folder, takt (seconds) and time of a station file; the working folder's records without one."""
    if station is None:
        return Path("records"), None, UTC_TIME
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    bench = load_station(find(station, shipped=True))
    return Path(bench.records), *pace_of(bench)


def _window(found: Records, options: argparse.Namespace, plant: PlantTime) -> Window:
    from eolseq.review.window import of_dates

    if options.shift is None:
        return of_dates(options.since, options.until, plant)
    if options.since or options.until:
        raise WrongUse("--shift is a window of its own.", "Leave --since and --until out, or --shift.")
    return shift_window(found, options.shift)


def _held(found: Records, size: str, root: str) -> int:
    """Whether the first entries of a log still have the root that stands on a page."""
    from eolseq.records.merkle import root_of

    if not size.isdecimal() or not 0 < int(size) <= found.size:
        raise WrongUse(f"The log has {found.size} entries; the page says {size[:20]}.",
                       "Copy the number from the page again. If it is right, entries are missing: show it to quality.")
    now = root_of(found.leaves(int(size))).hex()
    if now == root.lower():
        print(f"The first {size} entries of {found.origin} are those of the page.")
        return 0
    print(f"NOT THE SAME: the first {size} entries of {found.origin} have the root {now}. Compare the page letter by "
          "letter; if it says otherwise, keep a copy of the folder as it is, and show both to quality.")
    return 1


def _document(done: Review) -> dict[str, object]:
    """The review as plain data, with every row; named tuples become objects."""
    from eolseq.review.plain import plain

    return {"format": 1, **plain(done)}


def _page(done: Review, path: Path) -> str:
    """Write the page; what was done. A file that is there already is not written over."""
    from eolseq.review.sheet import pdf_of

    page = pdf_of(done)
    try:
        with path.open("xb") as stream:
            stream.write(page)
    except OSError as error:
        raise WrongUse(f"The page {path} cannot be written: {error.strerror}.", "Choose another name.") from error
    return f"wrote {path}"


def visible(text: str) -> str:
    """The text with whatever a terminal could act on written as an escape."""
    return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in text)
