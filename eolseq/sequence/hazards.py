"""What each step of a sequence may do to a person, in words, by the limits of ``eolseq/hazard.py``.

A trip ends a test after it has seen a current; it does not reliably limit what flows through a person until then, so it
makes no voltage safe.
"""

from __future__ import annotations

from typing import Any

from eolseq.hazard import SOURCE, dangerous
from eolseq.quantity import Quantity
from eolseq.sequence.model import Sequence
from eolseq.steps.base import Step


def hazard_of(step: Step) -> str:
    """One sentence on the voltage that a step puts on the unit."""
    volts = step.highest_volts()
    if volts is None:
        return "puts no more than a meter's own voltage on the unit"
    settings: dict[str, Any] = {name: value for _, each in step.settings() for name, value in each.items()}
    current = str(settings.get("type", "ac"))
    trip = settings.get("trip")
    most = f", ended at {trip}" if isinstance(trip, Quantity) else ""
    if not dangerous(float(volts), dc=current == "dc"):
        return f"puts up to {volts} on the unit: not dangerous to touch ({SOURCE})"
    return f"DANGER: puts {volts} {current} on the unit{most}: dangerous to touch ({SOURCE})"


def hazards(sequence: Sequence) -> tuple[str, ...]:
    """The hazard of each step, in the order of the steps."""
    return tuple(hazard_of(step) for step in sequence.steps)
