"""A sequence: the steps one product must pass, in order, with the unit's data and the file it came from."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from eolseq.quantity import Quantity
from eolseq.shape import Item
from eolseq.steps.base import Step

LONGEST_SERIAL = 40


@dataclass(frozen=True)
class UnitData:
    """The product: its models, how its serials look, protection class (I, II or III), rated values, metal parts."""

    models: tuple[str, ...]
    serial_pattern: str
    protection_class: str
    rated: Mapping[str, Quantity]
    metal_parts: tuple[str, ...]

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

    @property
    def digest(self) -> str:
        """The SHA-256 of the file's bytes, in hex."""
        import hashlib  # loads a whole cryptographic library, for which checking a file need not wait

        return hashlib.sha256(self.source).hexdigest()

    @property
    def items(self) -> tuple[Item, ...]:
        """The checked fields of each step, in the order of the steps."""
        return tuple(self.item["steps"])

    def seconds(self) -> float:
        """How long the steps are expected to take in all."""
        return sum(step.seconds() for step in self.steps)

    def roles(self) -> tuple[str, ...]:
        """The roles of all instruments that are needed, each once, in the order of first need."""
        return tuple(dict.fromkeys(role for step in self.steps for role in step.roles()))
