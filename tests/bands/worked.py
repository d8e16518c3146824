"""A sequence of the tests with one of its bands replaced: the band, and how it was worked out."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path

from eolseq.bands.working import Worked
from eolseq.sequence.derive import workings
from eolseq.sequence.load import read_sequence

SOUND = Path("tests/sequence/sound.yaml").read_text(encoding="utf-8")
RATED = "rated: {voltage: 240 V, frequency: 60 Hz}"
BANDS: Mapping[str, str] = {
    "Earth path": "band: {at_least: 2 mohm, at_most: 0.1 ohm, basis: invented}",
    "Stage 1": "band: {at_least: 17.84 ohm, at_most: 20.81 ohm, basis: invented}",
    "Line to neutral": "band: {at_least: 10 kohm, basis: invented}",
    "Withstand": "band: {at_least: 1.2 mA, at_most: 2.8 mA, basis: invented}",
    "Motor": "band: {at_least: 2.16 A, at_most: 2.64 A, basis: invented}",
    "voltage": "voltage: {at_least: 1200 V}", "time": "time: {at_least: 1 s}",
}
"""Step, or what is applied in the withstand step -> its band as the file has it."""


def text(step: str, band: str, rated: str = "", *edits: tuple[str, str]) -> str:
    """The sequence with another band in a step, perhaps another rating, and other edits."""
    assert BANDS[step] in SOUND
    name = "band" if BANDS[step].startswith("band") else step
    changed = SOUND.replace(BANDS[step], f"{name}: {band}")
    for old, new in ((RATED, f"rated: {rated}" if rated else RATED), *edits):
        assert old in changed, old
        changed = changed.replace(old, new)
    return changed


def worked(step: str, band: str, rated: str = "", *edits: tuple[str, str]) -> Worked:
    """The band that a text gives in a step of the tests' sequence, and how it was worked out."""
    sequence = read_sequence(text(step, band, rated, *edits).encode(), Path("changed.yaml"))
    name = step if step in [each.name for each in sequence.steps] else "Withstand"
    item = next(item for item in sequence.items if item["name"] == name)
    return dict(workings(item))["band" if name == step else f"applied {step}"]


def numbers(found: Worked) -> tuple[Decimal | None, Decimal | None]:
    """The limits in base units."""
    low, high = found.band.at_least, found.band.at_most
    return low.base if low else None, high.base if high else None
