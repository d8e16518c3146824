"""The JSON Schemas say what the loaders' tables of fields say: a file is taken by one if and only if by the other."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from copy import deepcopy
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from eolseq import schema
from eolseq.errors import FileMistakes
from eolseq.instruments.page import PAGE
from eolseq.instruments.register_page import REGISTER_PAGE
from eolseq.line.template import LABEL
from eolseq.quantity import UNITS, parse, units_of
from eolseq.schema import schema_of, whole
from eolseq.sequence.load import SEQUENCE
from eolseq.serials import read_pattern, whole_pattern
from eolseq.shape import Amount, Count, Day, Field, Group, ListOf, MapOf, Number, OneOf, Parsed, Text, Word, YesNo, load
from eolseq.simulation.fields import SIMULATOR
from eolseq.station.file import STATION

ROOT = Path(__file__).resolve().parent.parent
KINDS: Mapping[str, Group] = {"sequence": SEQUENCE, "driver page": PAGE, "register page": REGISTER_PAGE, "station": STATION,
                               "simulator": SIMULATOR, "label": LABEL}
FILES = {"sequence": sorted(ROOT.glob("sequences/*.yaml")), "driver page": sorted(ROOT.glob("drivers/*.yaml")),
         "register page": sorted(ROOT.glob("drivers/registers/*.yaml")),
         "station": [ROOT / "simulators/demo-station.yaml"], "simulator": [ROOT / "simulators/demo-simulator.yaml"],
         "label": sorted(ROOT.glob("eolseq/line/templates/*.yaml"))}
SCHEMAS = {kind: schema_of(kind, group) for kind, group in KINDS.items()}
VALIDATORS = {kind: Draft202012Validator(made) for kind, made in SCHEMAS.items()}
SHIPPED = [(kind, path) for kind, paths in FILES.items() for path in paths]


class AsText(yaml.BaseLoader):
    """Every scalar as text, as our loaders take it; a plain null stays null."""


def _scalar(loader: AsText, node: yaml.ScalarNode) -> str | None:
    return None if node.value in ("", "~", "null") and not node.style else str(node.value)


AsText.add_constructor("tag:yaml.org,2002:str", _scalar)  # type: ignore[no-untyped-call]


def as_text(path: Path) -> Any:
    return yaml.load(path.read_text(encoding="utf-8"), Loader=AsText)


def taken_by_loader(kind: str, value: Any) -> bool:
    """Whether the table of fields takes a file with this content; JSON is YAML."""
    try:
        _, findings = load(json.dumps(value).encode(), "file", {kind: KINDS[kind]})
    except FileMistakes:
        return False
    return not findings.mistakes


def agree(kind: str, value: Any) -> bool:
    """Hold both against a value; gives their common answer."""
    by_schema = VALIDATORS[kind].is_valid(value)
    by_loader = taken_by_loader(kind, value)
    if by_schema != by_loader:
        why = [each.message[:200] for each in VALIDATORS[kind].iter_errors(value)][:2]
        pytest.fail(f"schema {by_schema} {why}, loader {by_loader}: {json.dumps(value)[:3000]}")
    return by_loader


@pytest.mark.parametrize("kind", KINDS)
def test_it_is_a_schema_of_its_dialect(kind: str) -> None:
    Draft202012Validator.check_schema(SCHEMAS[kind])
    assert SCHEMAS[kind]["$schema"] == schema.DIALECT
    json.dumps(SCHEMAS[kind])


@pytest.mark.parametrize(("kind", "path"), SHIPPED, ids=lambda each: getattr(each, "stem", each))
def test_shipped_files_are_taken_as_text_and_as_an_editor_reads_them(kind: str, path: Path) -> None:
    assert agree(kind, as_text(path))
    read = yaml.safe_load(path.read_text(encoding="utf-8"))
    seen = json.loads(json.dumps(read, default=str))  # a day is no JSON; editors keep it as text
    assert list(VALIDATORS[kind].iter_errors(seen)) == []


@pytest.mark.parametrize(("kind", "path"), SHIPPED, ids=lambda each: getattr(each, "stem", each))
def test_a_shipped_file_of_one_kind_is_none_of_another(kind: str, path: Path) -> None:
    for other in set(KINDS) - {kind}:
        assert not VALIDATORS[other].is_valid(as_text(path))


# -- limits of quantities ---------------------------------------------------------------------------------------

LIMITS = [Fraction(0), Fraction(1), Fraction(10), Fraction(40), Fraction(100), Fraction(3600), Fraction("0.25"),
          Fraction("0.01"), Fraction("0.1"), Fraction("99.9"), Fraction("10.05"), Fraction(1, 60), Fraction(1, 30),
          Fraction(5, 72), Fraction(100000, 3600), Fraction(-40), Fraction("-60.5"), Fraction("0.0909"), Fraction(1000)]


@st.composite
def numbers_near(draw: st.DrawFn, limit: Fraction) -> str:
    """A number as a file may write it: the limit itself as far as it can be written, and what lies about it."""
    places = draw(st.integers(0, 12))
    scaled = int(limit * 10 ** places) + draw(st.sampled_from((-10, -1, 0, 0, 0, 1, 10)) | st.integers(-10**6, 10**6))
    digits = f"{abs(scaled):0{places + 1}d}"
    text = digits if places == 0 else f"{digits[:-places]}.{digits[-places:]}"
    sign = "-" if scaled < 0 else draw(st.sampled_from(("", "+", "-")))
    return sign + draw(st.sampled_from(("", "0", "00"))) + text + ("0" * draw(st.integers(0, 2)) if places else "")


@pytest.mark.parametrize("limit", LIMITS, ids=str)
@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_patterns_of_limits_compare_numbers(limit: Fraction, data: st.DataObject) -> None:
    text = data.draw(numbers_near(limit))
    value = Fraction(Decimal(text))
    assert bool(re.search(whole(schema.at_least(limit)), text)) == (value >= limit), text
    assert bool(re.search(whole(schema.at_most(limit)), text)) == (value <= limit), text
    if limit >= 0:
        assert bool(re.search(whole(schema.above(limit)), text)) == (value > limit), text


def test_an_excluded_limit_below_zero_has_no_pattern() -> None:
    with pytest.raises(ValueError, match="below zero"):
        schema.above(Fraction(-1))


@given(st.from_regex(r"\A(?:[A-Z0-9-]|\[[A-Z0-9a-c-]{1,5}\]|\\\.|\{[0-9]{1,2}(?:,[0-9]{1,2})?\}){1,9}\Z"))
@settings(max_examples=600, deadline=None)
def test_the_pattern_of_serial_patterns(text: str) -> None:
    try:
        read_pattern(text)
        taken = True
    except ValueError:
        taken = False
    assert bool(re.search(whole(whole_pattern()), text)) == taken, text


def test_every_unit_is_told_from_its_number() -> None:
    for unit in UNITS:
        for text in (f"5 {unit}", f"5{unit}", f"0.50 {unit}", f"5  {unit}", f"5 {unit}\n"):
            try:
                dimension = parse(text).dimension
            except ValueError:
                dimension = None
            for each in {of for of, _ in UNITS.values()}:
                found = re.search(whole(schema._quantities(Amount(each))), text) is not None
                assert found == (each == dimension), (text, each)


def test_what_has_no_schema_says_so() -> None:
    with pytest.raises(TypeError, match="no schema is known"):
        schema_of("x", Group({"a": Field(object())}))
    with pytest.raises(TypeError, match="no schema is known for a text"):
        schema_of("x", Group({"a": Field(Parsed(int, "a number"))}))


# -- mutated files ----------------------------------------------------------------------------------------------

ODD = ["", None, "yes", "no", "true", "5", "-1", "0", "00", "1.5", "1e5 V", "5 V", "5V", "5 mV ", "0 V", "-3 mohm", "60 s",
       "1 h", "0.25 s", "249 ms", "0.0041666667 min", "12 A", "3 kohm", "20 degC", "5 %", "NaN", "inf", "~", "null",
       "2026-02-29", "2028-02-29", "2026-13-01", "DH6-[0-9]{8}", "[z-a]", "x{0}", "*IDN?", "front-panel", "Front panel",
       "five\n", "ä" * 3, "x" * 130, "y" * 401, "z" * 2001, [], {}, ["a"], [{}], {"a": "b"}, {"": "x"}, [[]], "coil", "L",
       "iec-60335-1-heating", "rating", "row", "written", "setting", "ac", "101", "9999", "10000"]
NEW_KEYS = ["unknown", "from", "basis", "at_least", "at_most", "kind", "name", "about", "Row", "twin", "stage-4", "f g", ""]


def places(value: Any, way: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """The way to every value in a nested one, the whole first."""
    yield way
    for key, each in (value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()):
        yield from places(each, (*way, key))


def at(value: Any, way: tuple[Any, ...]) -> Any:
    for key in way:
        value = value[key]
    return value


@st.composite
def near(draw: st.DrawFn, text: str) -> str:
    """Another quantity of the same dimension, a whole number nearby, or the same text with a letter changed."""
    try:
        quantity = parse(text)
    except ValueError:
        place = draw(st.integers(0, len(text)))
        return text[:place] + draw(st.sampled_from(("", "a", "0", " ", "-", "Z"))) + text[place + draw(st.integers(0, 1)):]
    unit = draw(st.sampled_from(units_of(quantity.dimension)))
    number = draw(st.sampled_from((f"{quantity.value:f}", "0", "1", "-2", "0.3", "45", "110", "5000", "100001")))
    return f"{number} {unit}".strip()


@st.composite
def mutated(draw: st.DrawFn, value: Any) -> Any:
    """A copy with one to three changes somewhere in it."""
    changed = deepcopy(value)
    for _ in range(draw(st.sampled_from((1, 1, 1, 2)))):
        ways = [way for way in places(changed) if way]
        if not ways:
            return changed
        *way, key = draw(st.sampled_from(ways))
        parent = at(changed, tuple(way))
        what = draw(st.sampled_from(("odd", "near", "near", "near", "drop", "add", "other", "twice")))
        if what == "odd":
            parent[key] = deepcopy(draw(st.sampled_from(ODD)))
        elif what == "near" and isinstance(parent[key], str):
            parent[key] = draw(near(parent[key]))
        elif what == "drop":
            del parent[key]
        elif what == "add" and isinstance(parent, dict):
            parent[draw(st.sampled_from(NEW_KEYS))] = deepcopy(draw(st.sampled_from(ODD)))
        elif what == "twice" and isinstance(parent, list):
            parent.append(deepcopy(parent[key]))
        else:
            parent[key] = deepcopy(at(value, draw(st.sampled_from(list(places(value))))))
    return changed


SEEDS = {kind: [as_text(path) for path in paths] for kind, paths in FILES.items()}


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
@settings(max_examples=80, deadline=None)
def test_mutated_files_are_taken_by_both_or_by_neither(kind: str, data: st.DataObject) -> None:
    agree(kind, data.draw(mutated(data.draw(st.sampled_from(SEEDS[kind])))))


# -- files made from the table ----------------------------------------------------------------------------------


MADE: dict[int, tuple[Any, st.SearchStrategy[Any]]] = {}
"""By the identity of an entry, which is kept beside it: to make a strategy takes as long as many draws from it."""


def made(kind: Any) -> st.SearchStrategy[Any]:
    """Values that an entry of a table takes, most of the time."""
    if id(kind) not in MADE:
        MADE[id(kind)] = (kind, _made(kind))
    return MADE[id(kind)][1]


def _made(kind: Any) -> st.SearchStrategy[Any]:
    match kind:
        case Text():
            return st.from_regex(rf"\A(?:{kind.pattern})\Z", alphabet=st.characters(max_codepoint=126, min_codepoint=32)) \
                if kind.pattern else st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=30)
        case Word():
            return st.sampled_from(kind.choices)
        case YesNo():
            return st.sampled_from(("yes", "no"))
        case Number():
            return st.decimals(-100, 100, places=3).map(lambda each: f"{each:f}")
        case Count():
            return mostly(st.integers(kind.at_least, kind.at_most).map(str), st.sampled_from(("-1", "0", "07", "1e2", "+1")))
        case Day():
            return st.dates().map(str)
        case Amount():
            return amounts(kind)
        case Parsed():
            return st.sampled_from([each for each in PARSED if understood(kind, each)] or PARSED)
        case ListOf():
            return st.lists(made(kind.of), min_size=kind.at_least, max_size=min(kind.at_most, kind.at_least + 2))
        case MapOf():
            names = st.from_regex(rf"\A(?:{kind.names})\Z", alphabet=st.characters(max_codepoint=126, min_codepoint=32))
            return st.dictionaries(names, made(kind.of), min_size=kind.at_least, max_size=max(2, kind.at_least))
        case Group():
            return groups(kind)
        case OneOf():
            return st.sampled_from(list(kind.groups.values())).flatmap(groups)
        case _:
            return st.sampled_from(("V", "ohm", "hold", "5 ms", ["rise", "1 s"], "xyz", []))


PARSED = ("5 V", "0.1 ohm", "DH6-[0-9]{8}", "A{2,3}", "80 %", "10 ms", "1 A", "B[A-F0-9]{1,12}")
SELDOM = 60
"""One value in so many is one that may well not be taken."""


def mostly(good: st.SearchStrategy[Any], doubtful: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.integers(1, SELDOM).flatmap(lambda drawn: doubtful if drawn == SELDOM else good)


def understood(kind: Parsed, text: str) -> bool:
    try:
        kind.parse(text)
    except ValueError:
        return False
    return True


def amounts(kind: Amount) -> st.SearchStrategy[str]:
    """Quantities within the limits, and now and then one near a limit on whichever side."""
    good = [f"{number} {unit}".strip() for unit in units_of(kind.dimension)
            for number in ("0.02", "0.5", "1", "3.25", "20", "60", "150", "-3", "0", "2500")
            if inside(kind, Fraction(number) * Fraction(UNITS[unit][1]))]
    doubtful = [numbers_near(Fraction(limit) / Fraction(UNITS[unit][1])).map(lambda each, of=unit: f"{each} {of}".strip())
                for limit in (kind.at_least, kind.at_most, kind.above) if limit is not None
                for unit in units_of(kind.dimension)]
    odd = st.one_of(*doubtful) if doubtful else st.just("1 parsec")
    return mostly(st.sampled_from(good), odd) if good else odd


def inside(kind: Amount, base: Fraction) -> bool:
    return (kind.at_least is None or base >= kind.at_least) and (kind.at_most is None or base <= kind.at_most) \
        and (kind.above is None or base > kind.above)


@st.composite
def groups(draw: st.DrawFn, kind: Group) -> dict[str, Any]:
    found = {name: draw(made(each.of)) for name, each in kind.fields.items()
             if each.required or draw(st.integers(0, 3)) == 0}
    if draw(st.integers(1, SELDOM)) == SELDOM:
        found[draw(st.sampled_from(NEW_KEYS))] = "x"
    return found


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_files_made_from_the_table_are_taken_by_both_or_by_neither(kind: str, data: st.DataObject) -> None:
    agree(kind, {"format": "1", "kind": kind, **data.draw(groups(KINDS[kind]))})


STEP_KINDS = SEQUENCE.fields["steps"].of.of


@pytest.mark.parametrize("kind", STEP_KINDS.groups)
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_steps_made_from_the_table_are_taken_by_both_or_by_neither(kind: str, data: st.DataObject) -> None:
    agree("sequence", {**SEEDS["sequence"][0], "steps": [data.draw(groups(STEP_KINDS.groups[kind]))]})
