"""``eolseq batch``: a band from sound reference units, out of a CSV file or a log, ready for a sequence."""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from eolseq.errors import WrongUse
from eolseq.quantity import UNITS, Quantity, parse

if TYPE_CHECKING:
    from eolseq.bands.working import Worked
    from eolseq.records.reader import Records

NAME = "batch"
HELP = """work a band out from a batch of sound units

The readings come from a column of a CSV file, or from a station's log: the last finished run of each unit. Name units
that you know to be sound: readings picked by an earlier band show that band, not the product. Prints the interval and a
band to paste into a sequence, which then holds the readings themselves."""

_LARGEST = 5_000_000  # bytes of a CSV file


class Taken(NamedTuple):
    """Readings of so many units in one dimension, and where they come from."""

    readings: list[Quantity]
    source: str


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare where the readings come from, how much of all units is held and how surely, and the answer's form."""
    parser.add_argument("--csv", metavar="FILE", type=Path, help="a CSV file with a line of column names")
    parser.add_argument("--column", metavar="NAME", help="its column with the readings")
    parser.add_argument("--in", metavar="UNIT", dest="unit", help="the unit of that column, such as ohm")
    parser.add_argument("--station", metavar="S", type=Path, help="the station file whose log has the runs")
    parser.add_argument("--step", metavar="NAME", help="the step in the log")
    parser.add_argument("--reading", metavar="NAME", help="the reading of that step, such as resistance")
    parser.add_argument("--units", metavar="SERIAL", nargs="+", help="the sound units in the log")
    parser.add_argument("--coverage", metavar="PART", default="99 %", help="the part of all units to hold (99 %%)")
    parser.add_argument("--confidence", metavar="PART", default="95 %", help="how surely (95 %%)")
    parser.add_argument("--json", action="store_true", help="print one JSON document")


def run(options: argparse.Namespace) -> int:
    """Print the interval and a band to paste; 0. WrongUse where the readings give none."""
    from eolseq.bands.reference import work_out_units

    taken = _from_csv(options) if options.csv is not None else _from_log(options)
    coverage, confidence = (_part(getattr(options, name), name) for name in ("coverage", "confidence"))
    try:
        worked = work_out_units(taken.readings, coverage, confidence, taken.source)
    except ValueError as error:
        raise WrongUse(f"No band can be made: {error}.", "Measure more sound units, on more than one day.") from None
    if options.json:
        print(json.dumps(_document(taken, worked), indent=2))
        return 0
    for line in _words(taken, worked, coverage, confidence):
        print(line)
    return 0


def _part(text: str, name: str) -> Quantity:
    try:
        part = parse(text)
    except ValueError as error:
        raise WrongUse(f"--{name}: {error}.", "Give it as '99 %'.") from None
    if part.dimension != "%" or not 50 <= part.base <= 99.9:
        raise WrongUse(f"--{name} {text} is no part between 50 % and 99.9 %.", "Give it as '99 %'.")
    return part


# -- from a CSV file -------------------------------------------------------------------------------------------


def _from_csv(options: argparse.Namespace) -> Taken:
    if not options.column or not options.unit:
        raise WrongUse("A CSV file says neither which column nor which unit is meant.", "Give --column and --in.")
    if options.unit not in UNITS:
        raise WrongUse(f"'{options.unit}' is not a unit known here.", "Give --in as ohm, mohm, A, mA, W or another.")
    lines = _lines(options.csv)
    readings = [_number(text, options.unit, options.csv, line) for line, text in _cells(lines, options)]
    return Taken(readings, f"{len(readings)} units, column {options.column} of {options.csv.name}")


def _lines(path: Path) -> list[str]:
    try:
        source = path.read_bytes()
        if len(source) > _LARGEST:
            raise WrongUse(f"{path} has {len(source)} bytes, and {_LARGEST} are read at most.", "Give a smaller file.")
        return source.decode("utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise WrongUse(f"{path} cannot be read as UTF-8 text: {error}.", "Check the name, or save it anew.") from None


def _cells(lines: list[str], options: argparse.Namespace) -> Iterable[tuple[int, str]]:
    """The line number and text of each cell in the column; lines without anything in them are left out."""
    import csv

    head = lines[0] if lines else ""
    rows = csv.reader(lines, delimiter=";" if ";" in head else ",")
    names = [each.strip() for each in next(rows, [])]
    if names.count(options.column) != 1:
        raise WrongUse(f"{options.csv} has {names.count(options.column)} columns named '{options.column}'.",
                       f"Its columns are: {', '.join(names) or 'none'}.")
    column = names.index(options.column)
    for cells in rows:
        if any(each.strip() for each in cells):
            yield rows.line_num, cells[column].strip() if column < len(cells) else ""


def _number(text: str, unit: str, path: Path, line: int) -> Quantity:
    try:
        return parse(f"{text} {unit}")
    except ValueError:
        raise WrongUse(f"{path}, line {line}: '{text}' is no number.", "Every unit needs a number with a decimal "
                       "point; leave a unit out by its whole line.") from None


# -- from a station's log --------------------------------------------------------------------------------------


def _from_log(options: argparse.Namespace) -> Taken:
    from eolseq.commands.lookup import records_folder
    from eolseq.records.reader import Records

    if not (options.step and options.reading and options.units):
        raise WrongUse("Nothing says where the readings are.", "Give --csv, --column and --in; or --step, --reading "
                       "and --units, with --station for another records folder than the one here.")
    found = Records.open(records_folder(options.station))
    readings = [_of_unit(found, serial, options.step, options.reading) for serial in dict.fromkeys(options.units)]
    dimensions = {each.dimension for each in readings}
    if len(dimensions) > 1:
        raise WrongUse(f"The readings are in {', '.join(sorted(dimensions))}.", "Name units of one sequence.")
    simulated = "SIMULATED " if found.simulated else ""
    return Taken(readings, f"{len(readings)} {simulated}units in the log of {found.origin}, "
                           f"up to entry {found.size - 1}")


def _of_unit(found: Records, serial: str, step: str, reading: str) -> Quantity:
    """The reading of a unit's last finished run; WrongUse if it was not taken."""
    ended = [each.closed_by for each in found.runs(serial) if each.closed_by is not None]
    steps = found.entry(ended[-1]).payload.get("steps", []) if ended else []
    taken = [one for each in steps if each["name"] == step for one in each["readings"] if one["name"] == reading]
    values = [parse(f"{one['value']} {one['unit']}") for one in taken if one["value"] is not None]
    if len(values) != 1:
        raise WrongUse(f"The last run on unit {serial} has {len(values)} readings '{reading}' of the step '{step}'.",
                       f"Leave it out, or test it again; eolseq records {serial} shows what it has.")
    return values[0]


# -- saying ----------------------------------------------------------------------------------------------------


def _document(taken: Taken, worked: Worked) -> dict[str, Any]:
    band, working = worked
    return {"band": {"at_least": str(band.at_least), "at_most": str(band.at_most), "basis": band.basis},
            "inputs": dict(working.inputs), "formula": "; ".join(working.formula), "source": working.source,
            "standing": working.standing, "notes": list(working.notes),
            "readings": [str(each) for each in taken.readings], "spread": _spread(taken)}


def _spread(taken: Taken) -> dict[str, str]:
    """Mean and standard deviation as a sequence states them; the measurement's own spread is in them."""
    from eolseq.bands.interval import spread
    from eolseq.bands.working import told

    found, dimension = spread([float(each) for each in taken.readings]), taken.readings[0].dimension
    centre, deviation = (told(Decimal(repr(each)), dimension) for each in (found.mean, found.deviation))
    return {"centre": centre, "deviation": deviation, "basis": taken.source}


def _words(taken: Taken, worked: Worked, coverage: Quantity, confidence: Quantity) -> list[str]:
    readings = ", ".join(str(each) for each in taken.readings)
    return [*(f"# {line}" for line in worked.working.formula), *(f"# {note}" for note in worked.working.notes),
            f"# band: {worked.band}", "band:", "  from: units", f"  readings: [{readings}]", f"  coverage: {coverage}",
            f"  confidence: {confidence}", f"  source: {json.dumps(taken.source, ensure_ascii=False)}",
            "# how these units are spread, for 'eolseq check --station' to work out the risks of passing and failing",
            "spread:", *(f"  {key}: {json.dumps(text, ensure_ascii=False)}" for key, text in _spread(taken).items())]
