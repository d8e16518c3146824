"""Bands that a sequence does not write out: each is worked out once, when the file is read, from the file alone.

So an approved file stands for its bands, and whoever has its bytes can work them out again.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from eolseq.bands.nameplate import WRITTEN, of_item, worked_out
from eolseq.bands.working import Around, Worked, Working
from eolseq.shape import Findings, Group, Item, Items, whole
from eolseq.steps import STEP_KINDS
from eolseq.steps.motor_turning import read_turning

_OF_THE_STEP = ("band", "amps", "residual")
"""Bands that stand in the step itself; all others stand under ``applied``."""


def bands_worked_out(item: Item, findings: Findings, group: Group) -> Item:
    """The checked fields of a sequence with every band in numbers; what cannot be worked out is noted and None.

    A step or a unit with a mistake in it leaves its bands None: the mistake is already noted.
    """
    steps, unit = item.get("steps"), item.get("unit")
    if steps is None:
        return item
    sound = whole(group.fields["unit"].of, unit)
    done = [None if step is None else _step(step, unit if sound else None, findings) for step in steps]
    return item.replaced(steps=Items.of(done, steps.places, steps.place))


def _step(step: Item, unit: Item | None, findings: Findings) -> Item:
    kind = step["kind"]
    sound = unit is not None and kind in STEP_KINDS and whole(STEP_KINDS[kind].fields, step)
    changed: dict[str, Any] = {}
    for purpose, what, band in _derived(step):
        done = worked_out(band, purpose, Around(step, unit, what), findings) if sound and unit is not None else None
        changed[what] = done
    if not changed:
        return step
    applied = {what: band for what, band in changed.items() if what not in _OF_THE_STEP}
    own = {what: band for what, band in changed.items() if what in _OF_THE_STEP}
    if applied:
        own["applied"] = step["applied"].replaced(**applied)
    return step.replaced(**own)


def _bands(step: Item) -> Iterator[tuple[str, str, Item]]:
    """Every band of a step: its purpose, its name under ``applied`` or in the step, and its fields."""
    for what, purpose in (("band", step["kind"]), ("amps", f"{step['kind']} amps"), ("residual", "residual")):
        if isinstance(step.get(what), Item):
            yield purpose, what, step[what]
    applied = step.get("applied")
    for what, band in (applied.items() if isinstance(applied, Item) else ()):
        if isinstance(band, Item):
            yield f"applied {what}", what, band


def _derived(step: Item) -> Iterator[tuple[str, str, Item]]:
    return ((purpose, what, band) for purpose, what, band in _bands(step) if band.get("from", WRITTEN) != WRITTEN)


def workings(step: Item) -> Iterator[tuple[str, Worked]]:
    """Every band of a checked step with how it was worked out: the reading's first, each with what it is for."""
    for purpose, what, band in _bands(step):
        yield purpose if purpose.startswith("applied") else what, of_item(band)
    turning = read_turning(step.get("turning"))
    if turning is not None:
        yield turning.name, Worked(turning.band, Working(WRITTEN, (), (), ()))
