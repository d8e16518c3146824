"""A sequence: the steps one product must pass, in order, with the unit's data and the file it came from."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import NamedTuple

from eolseq.bands.decision import Rule, Spread
from eolseq.bands.rule_fields import read_spread
from eolseq.quantity import Quantity
from eolseq.sequence.needs import Need
from eolseq.shape import Item
from eolseq.steps.base import Step

LONGEST_SERIAL = 40


class StoredCharge(NamedTuple):
    """A capacitor of the unit that keeps a charge: the conductors it lies between, F, and ohm of its bleeder."""

    between: tuple[str, str]
    capacitance: Quantity
    bleeder: Quantity


@dataclass(frozen=True)
class UnitData:
    """The product: its models, how its serials look, protection class (I, II or III), rated values, metal parts.

    ``stored_charge``: its capacitors that keep a charge, as far as the sequence states them.
    """

    models: tuple[str, ...]
    serial_pattern: str
    protection_class: str
    rated: Mapping[str, Quantity]
    metal_parts: tuple[str, ...]
    stored_charge: tuple[StoredCharge, ...] = ()

    def fits(self, serial: str) -> bool:
        """Whether a serial is one of this product."""
        return len(serial) <= LONGEST_SERIAL and re.fullmatch(self.serial_pattern, serial, re.ASCII) is not None


@dataclass(frozen=True)
class Sequence:
    """A checked sequence file: its steps, its bytes, and its checked fields for the place of each value in it."""

    name: str
    version: str
    path: Path
    unit: UnitData
    cautions: tuple[str, ...]
    steps: tuple[Step, ...]
    source: bytes = field(repr=False)
    item: Item = field(repr=False, compare=False)
    decision: Rule | None = None
    needs: tuple[Need, ...] = ()

    @property
    def digest(self) -> str:
        """The SHA-256 of the file's bytes, in hex."""
        import hashlib  # loads a whole cryptographic library, for which checking a file need not wait

        return hashlib.sha256(self.source).hexdigest()

    @property
    def items(self) -> tuple[Item, ...]:
        """The checked fields of each step, in the order of the steps."""
        return tuple(self.item["steps"])

    def spread(self, index: int) -> Spread | None:
        """How the true values behind a step's reading are spread, if the step states it; counted from 0."""
        return read_spread(self.items[index].get("spread"))

    def seconds(self) -> float:
        """How long the steps are expected to take in all."""
        return sum(step.seconds() for step in self.steps)

    def roles(self) -> tuple[str, ...]:
        """The roles of all instruments that are needed, each once, in the order of first need."""
        return tuple(dict.fromkeys(role for step in self.steps for role in step.roles()))
