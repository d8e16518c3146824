"""Numbers of the record for people: in the multiple of their unit that reads best, with every digit they had."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal, InvalidOperation

from eolseq.quantity import UNITS, plain, units_of


def multiple_for(unit: str, reference: str | None) -> str:
    """The multiple of a unit in which a reference reads as people write it: 24.9 mohm, 1226 V, 140 kohm."""
    number = _decimal(reference)
    if number is None or not number.is_finite() or not number or unit not in UNITS:
        return unit
    dimension, factor = UNITS[unit]
    base = abs(number) * factor
    fitting = [each for each in units_of(dimension) if each not in ("min", "h", "mm", "bar", "mbar")
               and UNITS[each][1] * (10 if each == "kV" else 1) <= base]
    return fitting[-1] if fitting else unit


def in_multiple(text: str, unit: str, multiple: str) -> str:
    """A number of a unit in a multiple of it, exact."""
    number = _decimal(text)
    if number is None or unit not in UNITS or multiple not in UNITS:
        return f"{text} {unit}".strip()
    return f"{number * (UNITS[unit][1] / UNITS[multiple][1]):f} {multiple}".strip()


def shown(text: str | None, unit: str, multiple: str) -> str:
    """A number of the record in a multiple of its unit, exact; nothing where there is no number."""
    return "" if text is None else in_multiple(text, unit, multiple)


def limits_text(low: str | None, high: str | None, unit: str, multiple: str) -> str:
    """The limits of a band in a multiple of their unit, without the zeros that say nothing of a limit."""
    said = [_limit(each, unit, multiple) for each in (low, high)]
    if low is None or high is None:
        return f"at most {said[1]}" if high is not None else f"at least {said[0]}" if low is not None else "no band"
    return f"{said[0].removesuffix(multiple).strip()} to {said[1]}"


def _limit(text: str | None, unit: str, multiple: str) -> str:
    number = _decimal(text)
    if number is None or unit not in UNITS:
        return f"{text} {unit}"
    return f"{plain(number * UNITS[unit][1] / UNITS[multiple][1]):f} {multiple}".strip()


def drawn(text: str | None, unit: str) -> float | None:
    """A number in base units, for drawing only."""
    found = _decimal(text)
    return None if found is None or not found.is_finite() else float(found * UNITS.get(unit, ("", Decimal(1)))[1])


def drawn_all(unit: str, *texts: str | None) -> tuple[float, ...]:
    """The numbers that there are, in base units, for drawing only."""
    found: Sequence[float | None] = [drawn(text, unit) for text in texts]
    return tuple(each for each in found if each is not None)


def _decimal(text: str | None) -> Decimal | None:
    try:
        return None if text is None else Decimal(text)
    except InvalidOperation:
        return None
