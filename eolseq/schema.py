"""The JSON Schema of a kind of file, made from the same table of fields as its loader.

The loader takes every scalar as text, so the schema does: limits of quantities are regular expressions over their
digits, exact for every unit. Where an editor has already read a scalar as a number or as yes/no, that is allowed too.
Dialect 2020-12. What no table of fields can say (order, one value against another) only ``eolseq check`` knows.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

from eolseq.quantity import MOST_DIGITS, UNITS, parse, units_of
from eolseq.shape import Amount, Count, Day, Field, Group, ListOf, MapOf, Number, OneOf, Parsed, Text, Word, YesNo

Schema = dict[str, Any]

DIALECT = "https://json-schema.org/draft/2020-12/schema"
_DIGITS = r"[0-9]+(?:\.[0-9]+)?"
_ANY = rf"[+-]?{_DIGITS}"
_FEW = rf"(?![+-]?(?:[0-9]\.?){{{MOST_DIGITS + 1}}})"
_END = r"(?!\n)$"  # in some dialects $ alone also stands before a last line feed
_CALENDAR = (r"(?!0000)[0-9]{4}-(?:(?:0[1-9]|1[0-2])-(?:0[1-9]|1[0-9]|2[0-8])|(?:0[13-9]|1[0-2])-(?:29|30)"
             r"|(?:0[13578]|1[02])-31)|(?!0000)(?:[0-9]{2}(?:0[48]|[2468][048]|[13579][26])"
             r"|(?:[02468][048]|[13579][26])00)-02-29")


def schema_of(kind: str, group: Group) -> Schema:
    """The schema of a whole file of a kind, such as ``sequence``."""
    head = {"format": Field(Word(("1",)), about="the form of the file"),
            "kind": Field(Word((kind,)), about="what the file is"), **group.fields}
    made = _Made()
    body = made.of(Group(head, group.name))
    return {"$schema": DIALECT, "title": f"eolseq {kind}", **body, "$defs": made.shared}


class _Made:
    """Makes schemas of the entries of a table of fields; ``shared`` holds those that stand in many places."""

    def __init__(self) -> None:
        self.shared: dict[str, Schema] = {}

    def of(self, kind: Any) -> Schema:
        """The schema of one entry; TypeError for a kind of entry that has none."""
        own = getattr(kind, "schema", None)
        if own is not None:
            made: Schema = own(self.of)
            return made
        make: Callable[[Any], Schema] | None = getattr(self, f"_{type(kind).__name__.lower()}", None)
        if make is None:
            raise TypeError(f"no schema is known for {type(kind).__name__}")
        return make(kind)

    def _text(self, kind: Text) -> Schema:
        if kind.pattern:
            return {"type": "string", "minLength": 1, "maxLength": kind.at_most, "pattern": whole(kind.pattern)}
        return {"type": ["string", "number", "boolean"], "minLength": 1, "maxLength": kind.at_most}

    def _word(self, kind: Word) -> Schema:
        return {"enum": [*kind.choices, *(int(each) for each in kind.choices if each.isdecimal())]}

    def _yesno(self, _: YesNo) -> Schema:
        return {"enum": ["yes", "no", True, False]}

    def _number(self, _: Number) -> Schema:
        pattern = whole(r"[+-]?[0-9]{1,30}(?:\.[0-9]{1,30})?")
        return {"type": ["string", "number"], "pattern": pattern}

    def _count(self, kind: Count) -> Schema:
        base = {"type": "string", "pattern": whole("-?(?:0|[1-9][0-9]{0,9})")}
        return {"anyOf": [{"type": "integer", "minimum": kind.at_least, "maximum": kind.at_most},
                          {**base, "allOf": [{"pattern": whole(at_least(Fraction(kind.at_least)))},
                                             {"pattern": whole(at_most(Fraction(kind.at_most)))}]}]}

    def _day(self, _: Day) -> Schema:
        return {"type": "string", "pattern": whole(_CALENDAR), "examples": ["2026-11-25"]}

    def _amount(self, kind: Amount) -> Schema:
        words = [f"{what} {limit}" for what, limit in (("at least", kind.at_least), ("at most", kind.at_most),
                                                       ("more than", kind.above)) if limit is not None]
        name = " ".join([kind.dimension or "number", *words])
        if name not in self.shared:
            said = f"{', '.join(words)} {kind.dimension}".strip() if words else f"in {kind.dimension}"
            self.shared[name] = {"type": "string" if kind.dimension else ["string", "number"],
                                 "pattern": whole(_quantities(kind)), "description": said or "a number",
                                 "examples": [kind.example.strip()], **({} if kind.dimension else _bounds(kind))}
        return {"$ref": "#/$defs/" + name.replace("%", "%25").replace(" ", "%20").replace("/", "~1")}

    def _parsed(self, kind: Parsed) -> Schema:
        if kind.pattern is not None:
            return {"type": "string", "pattern": whole(kind.pattern())}
        if kind.dimensions:
            return {"anyOf": [self._amount(Amount(each)) for each in kind.dimensions]}
        if kind.parse is parse:
            return {"anyOf": [self._amount(Amount(each)) for each in sorted({of for of, _ in UNITS.values()})]}
        raise TypeError(f"no schema is known for a text read by {kind.parse}")

    def _listof(self, kind: ListOf) -> Schema:
        return {"type": "array", "items": self.of(kind.of), "minItems": kind.at_least, "maxItems": kind.at_most}

    def _mapof(self, kind: MapOf) -> Schema:
        return {"type": "object", "propertyNames": {"pattern": whole(kind.names)},
                "additionalProperties": self.of(kind.of), "minProperties": kind.at_least}

    def _group(self, kind: Group) -> Schema:
        return {"type": "object", "properties": {name: self._field(each) for name, each in kind.fields.items()},
                "required": [name for name, each in kind.fields.items() if each.required],
                "additionalProperties": False}

    def _field(self, field: Field) -> Schema:
        made = self.of(field.of)
        return {"description": field.about, **made} if field.about else made

    def _oneof(self, kind: OneOf) -> Schema:
        """The word under the key says which keys there are; ``default`` holds where the key is absent."""
        present = {"required": [kind.key]}
        cases = [{"if": {**present, "properties": {kind.key: {"const": word}}}, "then": self.of(group)}
                 for word, group in kind.groups.items()]
        if kind.default:
            cases.append({"if": {"not": present}, "then": self.of(kind.groups[kind.default])})
        return {"type": "object", **({} if kind.default else present),
                "properties": {kind.key: {"enum": list(kind.groups)}}, "allOf": cases}


def _bounds(kind: Amount) -> Schema:
    """The limits of a plain number that an editor has read as one."""
    limits = (("minimum", kind.at_least), ("maximum", kind.at_most), ("exclusiveMinimum", kind.above))
    return {word: float(limit) for word, limit in limits if limit is not None}


def whole(pattern: str) -> str:
    """A regular expression that matches nothing but the whole text."""
    return f"^(?:{pattern}){_END}"


# -- quantities within limits, as regular expressions over their digits -------------------------------------------


def _quantities(kind: Amount) -> str:
    units = units_of(kind.dimension)
    if (kind.at_least, kind.at_most, kind.above) == (None, None, None):
        return f"{_FEW}{_ANY}(?:{'|'.join(map(_unit, units))})"
    return f"{_FEW}(?:{'|'.join(_within(kind, UNITS[unit][1]) + _unit(unit) for unit in units)})"


def _unit(unit: str) -> str:
    """A unit after its number; one that begins with a digit needs a space, or its digit belongs to the number."""
    return (" " if unit[:1].isdigit() else " ?") + "".join(f"\\{each}" if each in "/" else each for each in unit)


def _within(kind: Amount, factor: Decimal) -> str:
    """Numbers that lie within the limits once they are multiplied by what the unit is worth."""
    limits = [(make, limit) for make, limit in ((at_least, kind.at_least), (at_most, kind.at_most),
                                                (above, kind.above)) if limit is not None]
    made = [make(Fraction(limit) / Fraction(factor)) for make, limit in limits]
    ahead = "".join(f"(?=(?:{each})(?![0-9.]))" for each in made[:-1])
    return f"{ahead}(?:{made[-1]})(?![0-9.])"


def at_least(limit: Fraction) -> str:
    """Numbers of at least so much, as they are written in our files."""
    if limit < 0:
        return rf"\+?{_DIGITS}|-(?:{_not_above(-limit)})"
    return rf"\+?(?:{_above(limit, equal=True)})" + (r"|-0+(?:\.0+)?" if limit == 0 else "")


def above(limit: Fraction) -> str:
    """Numbers of more than so much; ``limit`` is not negative."""
    if limit < 0:
        raise ValueError("a limit below zero that is itself excluded")
    return rf"\+?(?:{_above(limit, equal=False)})"


def at_most(limit: Fraction) -> str:
    """Numbers of at most so much."""
    if limit < 0:
        return f"-(?:{_above(-limit, equal=True)})"
    return rf"-{_DIGITS}|\+?(?:{_not_above(limit)})"


def _above(limit: Fraction, *, equal: bool) -> str:
    """Numbers without a sign above a limit of at least zero, or equal to it as well."""
    integer, before, period = _digits(limit)
    any_part = r"(?:\.[0-9]+)?"
    longer = rf"0*[1-9][0-9]{{{len(integer)},}}{any_part}"
    greater = [rf"0*{integer[:at]}[{int(digit) + 1}-9][0-9]{{{len(integer) - at - 1}}}{any_part}"
               for at, digit in enumerate(integer) if digit != "9"]
    exact = "0+" if not integer else f"0*{integer}"
    return "|".join([longer, *greater, rf"{exact}\.(?:{_part_above(before, period)})",
                     *([_equal(exact, before)] if equal and period == "0" else [])])


def _not_above(limit: Fraction) -> str:
    """Numbers without a sign up to a limit of at least zero."""
    integer, before, period = _digits(limit)
    any_part = r"(?:\.[0-9]+)?"
    shorter = [rf"0*[0-9]{{1,{len(integer) - 1}}}{any_part}"] if len(integer) > 1 else \
        [rf"0+{any_part}"] if integer else []
    smaller = [rf"0*{integer[:at]}[0-{int(digit) - 1}][0-9]{{{len(integer) - at - 1}}}{any_part}"
               for at, digit in enumerate(integer) if digit != "0"]
    exact = "0+" if not integer else f"0*{integer}"
    return "|".join([*shorter, *smaller, rf"{exact}(?:\.(?:{_part_not_above(before, period)}))?"])


def _equal(exact: str, before: str) -> str:
    return rf"{exact}\.{before}0*" if before else rf"{exact}(?:\.0+)?"


def _part_above(before: str, period: str) -> str:
    """Decimals above those of a limit: equal up to some place, and a greater digit there."""
    found = [f"{before[:at]}[{int(digit) + 1}-9][0-9]*" for at, digit in enumerate(before) if digit != "9"]
    found += [f"{before}(?:{period})*{period[:at]}[{int(digit) + 1}-9][0-9]*"
              for at, digit in enumerate(period) if digit != "9"]
    return "|".join(found)


def _part_not_above(before: str, period: str) -> str:
    """Decimals not above those of a limit: equal up to some place, and a smaller digit there or none."""
    found = [f"{before[:at]}[0-{int(digit) - 1}][0-9]*" for at, digit in enumerate(before) if digit != "0"]
    found += [before[:at] for at in range(1, len(before))]
    found += [f"{before}(?:{period})*{period[:at]}[0-{int(digit) - 1}][0-9]*"
              for at, digit in enumerate(period) if digit != "0"]
    found += [f"{before}(?:{period})*{period[:at]}" for at in range(1, len(period))]
    found.append(f"{before}(?:{period})*" if before else f"(?:{period})+")
    return "|".join(found)


def _digits(limit: Fraction) -> tuple[str, str, str]:
    """The digits of a limit: before the point (none for zero), after it, and those that repeat for ever ("0")."""
    integer, rest = divmod(limit.numerator, limit.denominator)
    digits, seen = "", {}
    while rest and rest not in seen:
        seen[rest] = len(digits)
        digit, rest = divmod(rest * 10, limit.denominator)
        digits += str(digit)
    before, period = (digits[:seen[rest]], digits[seen[rest]:]) if rest else (digits, "0")
    return str(integer) if integer else "", before, period


def kinds_of(groups: Mapping[str, Group]) -> dict[str, Schema]:
    """The schema of each of several kinds of file."""
    return {kind: schema_of(kind, group) for kind, group in groups.items()}
