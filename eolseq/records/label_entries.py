"""The entries of kind ``label``: what was about to be printed, and what became of each copy.

The order of the fields is the order in the file; the first five are what the log reads back when it is opened.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar, Literal

UNIT, CARTON = "unit", "carton"
"""What a label is for."""

PRINT, PRINTED, UNKNOWN, READ_BACK = "print", "printed", "unknown", "read back"
ACCOUNTED = ("destroyed", "found", "not found")
"""What a person can say of a copy that is not where it should be; after it the next copy may be printed."""

LabelOf = Literal["unit", "carton"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelPrint:
    """A label is about to be printed; durable before the printer is told, so that no label is without its entry.

    ``end`` is the index of the passing run's last entry; ``copy`` counts the labels of a unit for one purpose, from 1.
    ``code`` is the text of its QR code, ``said`` every other text on it, ``digest`` the SHA-256 (hex) of the PDF file.
    """

    kind: ClassVar[str] = "label"
    serial: str
    event: Literal["print"] = "print"
    end: int
    copy: int
    of: LabelOf
    reason: str | None
    by: str | None
    printer: str
    digest: str
    code: str
    said: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelFate:
    """What became of a copy: taken by the printer, unknown, read back on the unit, or accounted for by a person.

    ``label`` is the index of the entry that it was printed by.
    """

    kind: ClassVar[str] = "label"
    serial: str
    event: Literal["printed", "unknown", "read back", "destroyed", "found", "not found"]
    end: int
    copy: int
    of: LabelOf
    label: int
    reason: str | None
    by: str | None
