"""``eolseq check``: look for mistakes in any of our files, and say what a sequence does."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands.kinds import KINDS, schema_text
from eolseq.errors import FileMistakes, Mistake, Place, WrongUse

if TYPE_CHECKING:
    from eolseq.sequence.findings import Finding
    from eolseq.sequence.model import Sequence

NAME = "check"
HELP = """check files and show what a sequence does

Checks sequences, driver pages, station files, simulator files and label templates, and reports every mistake at its
line and column. With --station, also whether that station can run the sequence. With --bands, how every band of one
sequence was worked out: inputs, the formula with its numbers, the source with its edition and standing; and a table of
limits. With --schema, the JSON Schema of a kind of file, by which an editor helps while writing."""


class Checked:
    """One file, what kind it says it is, and what was found in it."""

    def __init__(self, path: Path, strict: bool = False) -> None:
        self.path = path
        self.strict = strict
        self.kind = ""
        self.mistakes: tuple[Mistake, ...] = ()
        self.findings: list[Finding] = []
        self.sequence: Sequence | None = None
        self.not_shown: list[str] = []  # of a station: what its verification cannot show

    @property
    def in_order(self) -> bool:
        """Whether nothing keeps the file from being used; asked to be strict, a warning does too."""
        counted = ("error", "warning") if self.strict else ("error",)
        return not self.mistakes and all(each.severity not in counted for each in self.findings)


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the files to check, the station to hold them against, and the form of the answer."""
    parser.add_argument("files", metavar="FILE", nargs="*", type=Path, help="a file of any of our kinds")
    parser.add_argument("--schema", metavar="KIND", choices=KINDS, help="print the JSON Schema of a kind of file, for "
                        "editors: " + ", ".join(KINDS))
    parser.add_argument("--station", metavar="S", type=Path, help="the station file that the sequences are to fit")
    parser.add_argument("--strict", action="store_true", help="count warnings as errors")
    parser.add_argument("--bands", action="store_true", help="show how every band of one sequence was worked out, and "
                        "a table of its limits; with --station, who approved them")
    parser.add_argument("--json", action="store_true", help="print one JSON document; words go to standard error")


def run(options: argparse.Namespace) -> int:
    """Check the files; 0 when all are in order, 2 when there is a mistake. Or print a schema."""
    if bool(options.schema) == bool(options.files):
        raise WrongUse("A schema is printed by itself." if options.schema else "No file is named.",
                       "Name the files to check, or a kind of file with --schema.")
    if options.schema:
        print(schema_text(options.schema))
        return 0
    facts = _station(options.station) if options.station is not None else None
    if options.bands and len(options.files) != 1:
        raise WrongUse("The bands of one sequence are shown at a time.", "Name one sequence.")
    checked = [_check(path, facts, options.strict) for path in options.files]
    bands = _bands(checked[0], facts) if options.bands else None
    if options.json:
        import json

        print(json.dumps({"in_order": all(each.in_order for each in checked),
                          "files": [_document(each) for each in checked], **(bands[0] if bands else {})}, indent=2))
    words = sys.stderr if options.json else sys.stdout
    for line in bands[1] if bands else ():
        print(line, file=words)
    for each in checked:
        for line in _words(each):
            print(line, file=words)
    return 0 if all(each.in_order for each in checked) else 2


# -- looking ----------------------------------------------------------------------------------------------------


def _check(path: Path, facts: tuple[Any, Mapping[str, Any]] | None, strict: bool) -> Checked:
    from eolseq.shape import kind_of
    from eolseq.shipped import find

    checked = Checked(path, strict)
    try:
        found = find(path, shipped=True)
        checked.kind = kind_of(found)
        _load(checked, found, facts)
    except FileMistakes as error:
        checked.mistakes = error.mistakes
    except WrongUse as error:
        do = error.do.rstrip(".")
        checked.mistakes = (Mistake(Place(str(path), 1, 1), f"{error.what.rstrip('.')}; {do[:1].lower()}{do[1:]}"),)
    return checked


def _load(checked: Checked, path: Path, facts: tuple[Any, Mapping[str, Any]] | None) -> None:
    """Load the file as its kind demands; FileMistakes if that fails."""
    if checked.kind == "sequence":
        from eolseq.sequence.findings import findings, fits_station
        from eolseq.sequence.load import load_sequence

        checked.sequence = load_sequence(path)
        checked.findings = findings(checked.sequence)
        if facts is not None:
            checked.findings += fits_station(checked.sequence, *facts)
        return
    load = _LOADERS.get(checked.kind)
    if load is None:
        from eolseq.quantity import nearest

        kinds = ("sequence", *_LOADERS)
        raise FileMistakes([Mistake(Place(str(path), 1, 1), f"'{checked.kind}' is not a kind of file known here",
                                    "kind: one of " + ", ".join(kinds), nearest(checked.kind, kinds))])
    loaded = load(path)
    if checked.kind == "station":
        _verification_of(checked, loaded, path)


def _verification_of(checked: Checked, station: Any, path: Path) -> None:
    """Note what the station's verification does not show, and a tap that may not be; nothing without driver pages."""
    from eolseq.instruments.any_page import load_any_page
    from eolseq.shipped import find
    from eolseq.station.shown import not_shown
    from eolseq.verification.tap import not_rated

    try:
        pages = {each.name: load_any_page(find(each.page, shipped=bool(station.simulated)))
                 for each in station.instruments}
    except (FileMistakes, WrongUse):
        return
    checked.not_shown = not_shown(station, {name: page.role for name, page in pages.items()})
    checked.mistakes = (*(Mistake(Place(str(path), 1, 1), why) for why in not_rated(station, pages)),
                        *_misfits(station, pages, path))


def _misfits(station: Any, pages: Mapping[str, Any], path: Path) -> list[Mistake]:
    """What does not fit between the bays and the parts of the instruments, which the opened station would refuse."""
    from eolseq.station.bays import misfits
    from eolseq.station.places import place_at

    return [*(Mistake(place_at(path, each.at), each.what.rstrip("."))
              for each in misfits(station, {name: page.role for name, page in pages.items()})),
            *_not_simulated(station, path)]


def _not_simulated(station: Any, path: Path) -> Iterator[Mistake]:
    """The instruments of a simulated station that its simulator file has not got; such a station would not start."""
    if not station.simulated:
        return
    from eolseq.shipped import find
    from eolseq.simulation.file import load_simulator
    from eolseq.station.places import place_at

    has = {each.name for each in load_simulator(find(Path(station.simulated), shipped=True)).instruments}
    for each in station.instruments:
        if each.name not in has:
            yield Mistake(place_at(path, ("instruments", each.name)), f"{station.simulated} simulates no {each.name}",
                          "an instrument of the simulator file, or one more there")


def _load_page(path: Path) -> object:
    from eolseq.instruments.page import load_page
    from eolseq.instruments.transcript import replay

    page = load_page(path)
    replay(page).raise_if_any()
    return page


def _load_register_page(path: Path) -> object:
    from eolseq.instruments.register_page import load_register_page
    from eolseq.instruments.register_transcript import replay_registers

    page = load_register_page(path)
    replay_registers(page).raise_if_any()
    return page


def _load_station(path: Path) -> object:
    from eolseq.station.file import load_station

    return load_station(path)


def _load_simulator(path: Path) -> object:
    from eolseq.simulation.file import load_simulator

    return load_simulator(path)


def _load_label(path: Path) -> object:
    from eolseq.line.template import load_template

    return load_template(path)


_LOADERS: Mapping[str, Callable[[Path], object]] = {
    "driver page": _load_page, "register page": _load_register_page, "station": _load_station,
    "simulator": _load_simulator, "label": _load_label}


def _station(path: Path) -> tuple[Any, Mapping[str, Any]]:
    """The station and its instruments' driver pages by name; FileMistakes or WrongUse if they cannot be had."""
    from eolseq.instruments.any_page import load_any_page
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    found = find(path, shipped=True)
    station = load_station(found)
    shipped = bool(station.simulated)
    pages = {each.name: load_any_page(find(each.page, shipped=shipped)) for each in station.instruments}
    wrong = _misfits(station, pages, found)
    if wrong:
        raise FileMistakes(wrong)
    return station, pages


def _bands(checked: Checked, facts: tuple[Any, Mapping[str, Any]] | None) -> tuple[dict[str, Any], list[str]] | None:
    """How the bands of a sequence were worked out, as a document and as lines; None if it could not be read."""
    if checked.sequence is None:
        return None
    from eolseq.commands import bands

    approved_by = bands.approver(checked.sequence, Path(facts[0].records) if facts is not None else None)
    return bands.document(checked.sequence, approved_by), bands.words(checked.sequence, approved_by)


# -- saying -----------------------------------------------------------------------------------------------------


def _words(checked: Checked) -> list[str]:
    """What was found; what has to be put right comes last, where a terminal still shows it."""
    from eolseq.sequence.finding import ERROR, NOTE, WARNING

    said = _sequence_words(checked.sequence) if checked.sequence is not None else []
    said += [f"{checked.path}: note: {each}" for each in checked.not_shown]
    said += [str(each) for severity in (NOTE, WARNING, ERROR) for each in checked.findings if each.severity == severity]
    said += [str(each) for each in checked.mistakes]
    kind = f", a {checked.kind}" if checked.kind else ""
    state = "in order" if checked.in_order else "NOT IN ORDER"
    return [*said, f"{checked.path}{kind}: {state}"]


def _sequence_words(sequence: Sequence) -> list[str]:
    from eolseq.sequence.hazards import hazards

    unit = sequence.unit
    rated = ", ".join(str(value) for value in unit.rated.values())
    said = [f"{sequence.name}, version {sequence.version}: {', '.join(unit.models)}, class {unit.protection_class}, "
            f"{rated}, serials {unit.serial_pattern}"]
    for number, (step, hazard) in enumerate(zip(sequence.steps, hazards(sequence), strict=True), 1):
        said.append(f"{number}. {step.name} ({step.kind}), about {step.seconds():.1f} s")
        said += [f"     {name}: {band}" for name, band in step.bands()]
        said.append(f"     {hazard}")
    said += [f"CAUTION: {each}" for each in sequence.cautions]
    said.append("instruments: " + ", ".join(sequence.roles()) + ", guard_unit")
    said.append(f"expected time: about {sequence.seconds():.0f} s")
    return said


def _document(checked: Checked) -> dict[str, Any]:
    return {
        "file": str(checked.path), "kind": checked.kind or None, "in_order": checked.in_order,
        "mistakes": [{**_place(each.place), "what": each.what, "expected": each.expected, "nearest": each.nearest}
                     for each in checked.mistakes],
        "findings": [{**_place(each.place), "code": each.code, "severity": each.severity, "sentence": each.sentence}
                     for each in checked.findings],
        "not_shown": checked.not_shown,
        "sequence": _sequence_document(checked.sequence) if checked.sequence is not None else None}


def _place(place: Place) -> dict[str, Any]:
    return {"file": place.path, "line": place.line, "column": place.column}


def _sequence_document(sequence: Sequence) -> dict[str, Any]:
    from eolseq.sequence.hazards import hazards

    return {
        "name": sequence.name, "version": sequence.version, "digest": sequence.digest,
        "models": list(sequence.unit.models), "serial_pattern": sequence.unit.serial_pattern,
        "protection_class": sequence.unit.protection_class, "cautions": list(sequence.cautions),
        "instruments": [*sequence.roles(), "guard_unit"], "seconds": f"{sequence.seconds():.1f}",
        "steps": [_step_document(step, hazard) for step, hazard in zip(sequence.steps, hazards(sequence), strict=True)]}


def _step_document(step: Any, hazard: str) -> dict[str, Any]:
    bands = [{"name": name, "at_least": str(band.at_least) if band.at_least else None,
              "at_most": str(band.at_most) if band.at_most else None, "basis": band.basis}
             for name, band in step.bands()]
    return {"kind": step.kind, "name": step.name, "seconds": f"{step.seconds():.1f}", "bands": bands,
            "settings": step.settings_for_log(), "hazard": hazard}
