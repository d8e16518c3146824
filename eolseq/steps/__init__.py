"""The kinds of step. ``STEP_KINDS`` is the table; a new kind is one file beside these and one row in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from eolseq.shape import Findings, Group, Item
from eolseq.steps import (
    dielectric_withstand,
    ground_continuity,
    heater_resistance,
    holding_pressure,
    motor_current,
    power_input,
)
from eolseq.steps.base import Step


class StepKind(NamedTuple):
    """One kind of step: the fields of its settings, what they must satisfy besides, and how the step is made of them.

    ``rank`` is its place in the order that a class I product must be tested in, lowest first.
    """

    fields: Group
    check: Callable[[Item, Findings], None]
    from_item: Callable[[Item], Step]
    rank: int


STEP_KINDS: Mapping[str, StepKind] = {
    module.KIND: StepKind(module.FIELDS, module.check, module.from_item, rank)
    for rank, module in enumerate((holding_pressure, ground_continuity, heater_resistance, dielectric_withstand,
                                    motor_current, power_input))
}
