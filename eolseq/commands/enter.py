"""``eolseq enter``: enter the result of a check that a unit had elsewhere, or read those that have arrived as files."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from eolseq.commands import carrying, signing
from eolseq.errors import InUse, Refused, WrongUse
from eolseq.quantity import counted

if TYPE_CHECKING:
    from eolseq.bands.band import AcceptanceBand
    from eolseq.clock import Clock
    from eolseq.line.earlier_checks import Told
    from eolseq.records.log import Log
    from eolseq.station.file import Station

NAME = "enter"
HELP = """enter the result of a check that a unit had elsewhere

A sequence names under 'needs' the checks that a unit must have passed before it is tested; the latest result counts.
With --folder the files of other equipment that have arrived are read, as they are before every run."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the check, the unit, its result and value, when, by whom, and at which station."""
    parser.add_argument("check", metavar="CHECK", nargs="?", help="the check, such as wiring-inspection")
    parser.add_argument("serial", metavar="SERIAL", nargs="?", help="the unit")
    parser.add_argument("--station", metavar="S", type=Path, required=True, help="the station file")
    parser.add_argument("--result", choices=("pass", "fail"), help="the result as it was stated")
    parser.add_argument("--value", metavar='"12.3 bar"', help="the measured value with its unit")
    parser.add_argument("--made", metavar="TIME", help="when it was made, such as 2026-11-25T14:30Z; now if left out")
    parser.add_argument("--by", metavar="ID", help="who made it, such as op-07")
    parser.add_argument("--sequence", metavar="FILE", type=Path,
                        help="hold the value against the band that this sequence needs, if the station has none")
    parser.add_argument("--folder", action="store_true", help="read the files that have arrived, nothing else")


def run(options: argparse.Namespace) -> int:
    """Enter the result; 0, 1 when rows were set aside, 3 when it may not be entered."""
    from eolseq.clock import SystemClock
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    station = load_station(find(options.station, shipped=True))
    if options.folder:
        return _folder(options, station)
    told, by = _told(options, SystemClock()), carrying.named(options.by)
    band = _band(options, station, told)
    with _log_of(station) as log:
        log.refuse_wrong_clock()
        for line in entered(log, told, band, by):
            print(signing.visible(line))
    return 0


def _log_of(station: Station) -> Log:
    """The station's log; while a shift or a run has it, InUse with the way that stays open."""
    try:
        return signing.open_log(station)
    except InUse as error:
        folder = station.earlier.folder
        way = f"Put the result into the watched folder {folder}, which a shift reads before each unit." if folder else \
            "Or have a folder of earlier checks named under 'earlier' in the station file: a shift reads it."
        raise InUse(error.what, f"{error.do} {way}" if not folder else f"{way} Or: {error.do}") from error


def _told(options: argparse.Namespace, clock: Clock) -> Told:
    """What was typed, checked."""
    import re
    from datetime import UTC

    from eolseq.line.check_files import read_made, read_value
    from eolseq.line.earlier_checks import Told
    from eolseq.sequence.needs import CHECK_LIKE, CHECK_NAME

    if options.check is None or options.serial is None or options.result is None:
        raise WrongUse("A check, a serial and --result are needed.", "See 'eolseq enter --help'; or give --folder.")
    if not re.fullmatch(CHECK_NAME, options.check) or len(options.check) > 60:
        raise WrongUse(f"'{options.check}' is no name of a check.", f"Give {CHECK_LIKE}.")
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,39}", options.serial):
        raise WrongUse(f"'{options.serial}' is no serial.", "Scan the rating plate again.")
    now = clock.now().astimezone(UTC)
    try:
        made = now if options.made is None else read_made(options.made, now)
        value = None if options.value is None else read_value(options.value)
    except ValueError as error:
        raise WrongUse(f"{error}.", "Give --value with its unit, and --made as a time that has been.") from error
    return Told(options.serial, options.check, options.result, made, value)


def _band(options: argparse.Namespace, station: Station, told: Told) -> AcceptanceBand | None:
    """The band of the value: the station's, else that of the sequence that was named."""
    band = station.earlier.bands.get(told.check)
    if band is not None or options.sequence is None:
        return band
    from eolseq.sequence.load import load_sequence
    from eolseq.shipped import find

    sequence = load_sequence(find(options.sequence, shipped=bool(station.simulated)))
    if not sequence.unit.fits(told.serial):
        raise Refused(f"The serial {told.serial!r} does not belong to {', '.join(sequence.unit.models)}.",
                      "Scan the rating plate again, or name the sequence of this model.")
    needs = [each for each in sequence.needs if each.check == told.check]
    if not needs:
        raise Refused(f"'{sequence.name}' needs no check named {told.check}.",
                      "It needs " + (", ".join(each.check for each in sequence.needs) or "none") + ".")
    return needs[0].band


def entered(log: Log, told: Told, band: AcceptanceBand | None, by: str) -> list[str]:
    """Enter a result in an open log; what to say then."""
    from eolseq.line.earlier_checks import judged
    from eolseq.records.check_entries import ENTERED

    entry = judged(told, band, by=by, source=ENTERED)
    index = log.append(entry)
    log.checkpoint()
    value = f", {entry.value}" if entry.value is not None else ""
    mark = " (SIMULATED)" if log.simulated else ""
    said = [f"entry {index}: {told.check} of unit {told.serial} by {by}: {entry.result}{value}{mark}"]
    if entry.result != entry.stated:
        said.append(f"It was entered as a FAIL: {entry.sentence}.")
    return said


def _folder(options: argparse.Namespace, station: Station) -> int:
    from eolseq.clock import SystemClock
    from eolseq.commands.earlier import read_folder

    if options.check is not None or options.result is not None:
        raise WrongUse("--folder enters what has arrived, and nothing else.", "Leave the check and its result out.")
    if not station.earlier.folder:
        raise WrongUse("This station names no folder of earlier checks.",
                       "Name it under 'earlier' in the station file.")
    with _log_of(station) as log:
        log.refuse_wrong_clock()
        taken = read_folder(station.earlier, log, SystemClock())
        log.checkpoint()
    print(f"{counted(taken.files, 'file')} read, {counted(taken.entered, 'result')} entered, "
          f"{counted(len(taken.aside), 'row')} set aside, {counted(len(taken.waiting), 'file')} waiting")
    for line in [*(f"set aside  {each}" for each in taken.aside), *(f"waits      {each}" for each in taken.waiting)]:
        print(signing.visible(line))
    return 1 if taken.aside else 0
