"""A decimal number with a unit: "1480 V" in, "1480 V" out.

Digits are kept as written, nothing is converted silently, and no float is involved. The table of units is small on
purpose: the prefixes and units of the trade, case-sensitive, spelt one way (SI brochure; ``ohm`` and ``u`` in ASCII).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

_PREFIXES = {"p": -12, "n": -9, "u": -6, "m": -3, "": 0, "k": 3, "M": 6, "G": 9}
_PREFIXED = {
    "V": "umkM", "A": "pnumk", "ohm": "umkMG", "W": "mkM", "F": "pnum", "H": "um", "J": "mk", "Hz": "mkM",
    "s": "num", "Pa": "kM", "VA": "k", "C": "nu", "S": "num",
}
_OTHERS = {
    "min": ("s", Decimal(60)), "h": ("s", Decimal(3600)), "d": ("s", Decimal(86400)), "bar": ("Pa", Decimal(100000)),
    "mbar": ("Pa", Decimal(100)), "K": ("K", Decimal(1)), "degC": ("degC", Decimal(1)), "%": ("%", Decimal(1)),
    "rpm": ("rpm", Decimal(1)), "hp": ("hp", Decimal(1)), "m": ("m", Decimal(1)), "mm": ("m", Decimal("0.001")),
    "V/s": ("V/s", Decimal(1)), "A/s": ("A/s", Decimal(1)), "%/K": ("%/K", Decimal(1)), "1/K": ("1/K", Decimal(1)),
    "": ("", Decimal(1)),
}


def _table() -> dict[str, tuple[str, Decimal]]:
    units = dict(_OTHERS)
    for base, prefixes in _PREFIXED.items():
        for prefix in ["", *prefixes]:
            units[prefix + base] = (base, Decimal(1).scaleb(_PREFIXES[prefix]))
    return units


UNITS: dict[str, tuple[str, Decimal]] = _table()
"""Unit -> its dimension (the base unit's name) and how many base units it is."""

MOST_DIGITS = 20
"""With so few digits, and units this far apart, nothing is ever rounded in base units."""

_TEXT = re.compile(r"([+-]?[0-9]+(?:\.[0-9]+)?) ?([A-Za-z%/0-9]*)")


@dataclass(frozen=True)
class Quantity:
    """A decimal number with its unit, both as written."""

    value: Decimal
    unit: str

    def __str__(self) -> str:
        return f"{self.value:f} {self.unit}".strip()

    @property
    def dimension(self) -> str:
        """The base unit's name: "V" for 5 kV."""
        return UNITS[self.unit][0]

    @property
    def base(self) -> Decimal:
        """The number in base units, exact: 5000 for 5 kV."""
        return self.value * UNITS[self.unit][1]

    def __float__(self) -> float:
        """The number in base units, for waiting and for physics, never for judging."""
        return float(self.base)

    def to(self, unit: str) -> Quantity:
        """The same quantity in another unit of the same dimension; ValueError if the dimension differs.

        Exact, but for seconds in minutes, hours or days, which may have no last digit: these are rounded to 28.
        """
        dimension, factor = UNITS[unit]
        if dimension != self.dimension:
            raise ValueError(f"{self} cannot be given in {unit}")
        return Quantity(plain(self.base / factor), unit)


def plain(value: Decimal) -> Decimal:
    """The same number without a positive exponent and without trailing noise of a division."""
    value = value.normalize()
    exponent = value.as_tuple().exponent
    return value.quantize(Decimal(1)) if isinstance(exponent, int) and exponent > 0 else value


@lru_cache(maxsize=4096)
def parse(text: str) -> Quantity:
    """Read "1480 V", "0.1 ohm", "-10 %"; ValueError with a sentence naming what is wrong and the nearest unit."""
    found = _TEXT.fullmatch(text)
    if found is None:
        raise ValueError(f"'{text}' is not a number with a unit, such as '1480 V'")
    number, unit = found.groups()
    if len(number) > MOST_DIGITS and sum(map(str.isdigit, number)) > MOST_DIGITS:
        raise ValueError(f"'{text}' has more than {MOST_DIGITS} digits")
    if unit not in UNITS:
        near = nearest(unit, UNITS)
        raise ValueError(f"'{unit}' is not a unit known here" + (f"; did you mean '{near}'?" if near else ""))
    return Quantity(Decimal(number), unit)


def nearest(word: str, words: object) -> str:
    """The known word nearest to a mistyped one, or an empty text."""
    import difflib  # only a mistake needs it

    known = [w for w in words if w] if isinstance(words, (list, tuple, dict, set, frozenset)) else []
    by_case = [w for w in known if w.lower() == word.lower()]
    found = by_case or difflib.get_close_matches(word, known, 1, 0.5)
    return found[0] if found else ""


def units_of(dimension: str) -> list[str]:
    """All units in which a dimension may be written, smallest first."""
    found = [(factor, unit) for unit, (base, factor) in UNITS.items() if base == dimension]
    return [unit for _, unit in sorted(found)]


def counted(count: int, thing: str) -> str:
    """A whole number of things in words for people: 1 unit, 2 units."""
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"
