"""Which unit was scanned, and by which sequence it is tested. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from eolseq.errors import Refused
from eolseq.sequence.model import Sequence
from eolseq.station.shift_fields import ShiftRules


def unit_in(text: str, rules: ShiftRules, sequences: tuple[Sequence, ...]) -> tuple[str, Sequence]:
    """The serial in a rating plate's code (or a bare serial), and the one sequence that is for it; Refused if none."""
    found = {(serial, each.digest): each for each in sequences for serial in _serials(text, rules, each)
             if each.unit.fits(serial)}
    if not found:
        models = ", ".join(dict.fromkeys(model for each in sequences for model in each.unit.models))
        raise Refused(f"'{text[:40]}' is no unit that this station tests ({models}).",
                      "Scan the rating plate again; if it is of another model, take the unit to its station. "
                      "Ask the lead.")
    if len(found) > 1:
        names = ", ".join(sorted(each.name for each in found.values()))
        raise Refused(f"'{text[:40]}' fits several sequences of this station: {names}.",
                      "Do not test it. Have the lead correct the station file.")
    (serial, _), sequence = next(iter(found.items()))
    return serial, sequence


def _serials(text: str, rules: ShiftRules, sequence: Sequence) -> Iterator[str]:
    """What the serial would be, as a bare serial and as the plate's code of each model."""
    yield text
    for model in sequence.unit.models:
        before, _, behind = rules.plate_of("\0", model).partition("\0")
        if text.startswith(before) and text.endswith(behind) and len(text) > len(before) + len(behind):
            yield text[len(before):len(text) - len(behind)]
