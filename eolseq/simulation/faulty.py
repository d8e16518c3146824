"""Faults that are there from the start, as files and the command line write them."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import TYPE_CHECKING, NamedTuple

from eolseq.errors import WrongUse
from eolseq.simulation.status import CommandError

if TYPE_CHECKING:
    from eolseq.simulation.roles.base import RoleInstrument

LIKE = "a fault such as current:drifted:0.02 or bay:test-lead-off"
BAY = "bay"
"""Stands in the place of an instrument's name for a fault of the bay's leads."""

_TEXT = r"([a-z][a-z0-9_-]{0,39}):([a-z][a-z0-9-]{0,59})(?::([+-]?[0-9.]{1,20}(?:[eE][+-]?[0-9]{1,3})?))?"
_FAULT = re.compile(_TEXT)


class Fault(NamedTuple):
    """A fault by its name; ``instrument`` is empty for one of the bay, ``number`` is the fault's own."""

    instrument: str
    name: str
    number: float | None = None

    def __str__(self) -> str:
        text = f"{self.instrument or BAY}:{self.name}"
        return text if self.number is None else f"{text}:{self.number:g}"


def read_fault(text: str) -> Fault:
    """The fault that INSTRUMENT:NAME, INSTRUMENT:NAME:NUMBER or bay:NAME stands for; ValueError if it is none."""
    found = _FAULT.fullmatch(text)
    if found is None:
        raise ValueError(f"'{text}' is not written as INSTRUMENT:NAME, INSTRUMENT:NAME:NUMBER or bay:NAME")
    instrument, name, written = found.groups()
    try:
        number = None if written is None else float(written)
    except ValueError:
        number = math.nan
    if number is not None and not math.isfinite(number):
        raise ValueError(f"'{written}' is no number")
    return Fault("" if instrument == BAY else instrument, name, number)


def pattern() -> str:
    """A whole-match regular expression of what can be read."""
    return rf"^{_TEXT}$"


def check_bay_fault(fault: Fault, known: Mapping[str, str]) -> None:
    """WrongUse, with every name, when the bay has no such fault; ``known`` is what each does."""
    if fault.name not in known:
        raise WrongUse(f"The bay has no fault {fault.name!r}.", f"The names are:\n{listing(known)}")
    if fault.number is not None:
        raise WrongUse(f"The fault {fault.name!r} of the bay takes no number.", "Leave the number out.")


def check_fault(fault: Fault, model: type[RoleInstrument]) -> None:
    """WrongUse, with every name, when an instrument of this model has no such fault, or not with this number."""
    if fault.name not in model.all_faults():
        raise WrongUse(f"{fault.instrument} has no fault {fault.name!r}.",
                       f"The names are:\n{listing(model.all_faults())}")
    try:
        model.check_fault(fault.name, fault.number)
    except CommandError as error:
        raise WrongUse(f"{fault}: {error.info}.", "Give another number, or none.") from None


def listing(known: Mapping[str, str]) -> str:
    """Names and what each does, one a line."""
    width = max(map(len, known), default=0)
    return "\n".join(f"  {name:<{width}}  {about}".rstrip() for name, about in known.items())
