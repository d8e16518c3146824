"""YAML text to checked values, by a table of fields, with file:line:column for every mistake.

Every scalar stays text until the table says what it is, so none of YAML's own readings can happen (``no`` as false,
``1:30`` as ninety, ``010`` as eight, the last of two equal keys kept in silence). All mistakes of a file are reported
in one go. Nothing that a file names is imported or executed; tags are refused.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import date
from decimal import Decimal
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from eolseq.errors import FileMistakes, Mistake, Place
from eolseq.quantity import Quantity, nearest, parse, units_of

LARGEST_FILE = 1_000_000  # bytes
MOST_NODES = 20_000       # after alias expansion
DEEPEST = 40

_PLAIN_TAGS = ("tag:yaml.org,2002:str", "tag:yaml.org,2002:map", "tag:yaml.org,2002:seq")
_UNSEEN = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")
"""Characters that steer a terminal or turn text around: nobody sees them in a file, and we print what files say."""

_EXAMPLES = {"V": "1480 V", "A": "25 A", "ohm": "0.1 ohm", "s": "1 s", "W": "3000 W", "Hz": "60 Hz", "F": "8 uF",
             "degC": "20 degC", "%": "5 %", "H": "10 mH", "Pa": "100 kPa", "hp": "0.5 hp"}

# The entries of the tables of fields are named tuples: they are many classes, and data classes take long to make.


class Item(Mapping[str, Any]):
    """A checked mapping: its values by key, and where each stands in the file."""

    def __init__(self, values: dict[str, Any], place: Place, places: dict[str, Place],
                 keys: dict[str, Place] | None = None) -> None:
        self._values = values
        self.place = place
        self._places = places
        self._keys = keys or {}

    def __getitem__(self, key: str) -> Any:
        return self._values[key]

    def __iter__(self) -> Iterator[str]:
        return iter(self._values)

    def __len__(self) -> int:
        return len(self._values)

    def given(self, key: str) -> bool:
        """Whether the key stands in the file, rightly or wrongly filled; a default does not count."""
        return key in self._places

    def place_of(self, key: str) -> Place:
        """Where the value of a key stands; the mapping's own place if the key is not there."""
        return self._places.get(key, self.place)

    def place_of_key(self, key: str) -> Place:
        """Where a key itself stands; the mapping's own place if it is not there."""
        return self._keys.get(key, self.place)

    def replaced(self, **values: Any) -> Item:
        """The same mapping with some values put in place of its own, or added; each stands where it stood."""
        places = {key: self.place_of(key) for key, value in values.items() if value is not None}
        return Item({**self._values, **values}, self.place, {**self._places, **places}, self._keys)


class Items(tuple[Any, ...]):
    """A checked list: its values, and where each stands in the file."""

    places: tuple[Place, ...]
    place: Place

    @classmethod
    def of(cls, values: Sequence[Any], places: Sequence[Place], place: Place) -> Items:
        """Make one from values and as many places."""
        items = cls(values)
        items.places = tuple(places)
        items.place = place
        return items


class Findings:
    """Collects the mistakes of one file."""

    def __init__(self) -> None:
        self.mistakes: list[Mistake] = []

    def add(self, place: Place, what: str, expected: str = "", near: str = "") -> None:
        """Note one mistake."""
        self.mistakes.append(Mistake(place, what, expected, near))

    def raise_if_any(self) -> None:
        """Raise FileMistakes with everything found, if anything was."""
        if self.mistakes:
            raise FileMistakes(self.mistakes)


class Text(NamedTuple):
    """Any text of at most so many characters; ``pattern`` is a whole-match regular expression said in ``like``."""

    at_most: int = 400
    pattern: str = ""
    like: str = "a text"

    def read(self, node: Any, where: _Reader) -> Any:
        """The text, or None after noting a mistake."""
        text = where.scalar(node, self.like)
        if text is None:
            return None
        if len(text) > self.at_most:
            return where.mistake(node, f"text of {len(text)} characters", f"at most {self.at_most}")
        if self.pattern and not re.fullmatch(self.pattern, text):
            return where.mistake(node, f"'{text}' does not fit here", self.like)
        return text


class Word(NamedTuple):
    """One of a few words."""

    choices: tuple[str, ...]

    def read(self, node: Any, where: _Reader) -> Any:
        """The word, or None after noting a mistake."""
        text = where.scalar(node, " or ".join(self.choices))
        if text is None or text in self.choices:
            return text
        return where.mistake(node, f"'{text}' is not a word known here", "one of " + ", ".join(self.choices),
                             nearest(text, self.choices))


class Amount(NamedTuple):
    """A quantity of one dimension (base unit), with optional inclusive limits and an exclusive floor, in base units."""

    dimension: str
    at_least: Decimal | None = None
    at_most: Decimal | None = None
    above: Decimal | None = None

    @property
    def example(self) -> str:
        """How one is written."""
        return _EXAMPLES.get(self.dimension, f"1 {self.dimension}")

    def read(self, node: Any, where: _Reader) -> Any:
        """The Quantity, or None after noting a mistake."""
        text = where.scalar(node, f"a value such as '{self.example}'")
        if text is None:
            return None
        try:
            quantity = parse(text)
        except ValueError as error:
            return self._not_read(node, text, str(error), where)
        if quantity.dimension != self.dimension:
            return self._wrong_dimension(node, text, quantity, where)
        limits = ((self.at_least, quantity.base.__ge__, "at least"), (self.at_most, quantity.base.__le__, "at most"),
                  (self.above, quantity.base.__gt__, "more than"))
        for limit, holds, words in limits:
            if limit is not None and not holds(limit):
                return where.mistake(node, f"'{text}' is outside what is possible here",
                                     f"{words} {limit} {self.dimension}")
        return quantity

    def _not_read(self, node: Any, text: str, why: str, where: _Reader) -> None:
        unit = text.lstrip("+-0123456789., ")
        near = nearest(unit, units_of(self.dimension)) if unit else ""
        where.mistake(node, why.split(";")[0], f"a value such as '{self.example}'", near)

    def _wrong_dimension(self, node: Any, text: str, quantity: Quantity, where: _Reader) -> None:
        near = nearest(quantity.unit, units_of(self.dimension)) if quantity.unit else ""
        if quantity.unit:
            where.mistake(node, f"'{text}' is in {quantity.unit}", f"a value such as '{self.example}'", near)
        else:
            where.mistake(node, f"'{text}' has no unit", f"a value such as '{self.example}'")


class Count(NamedTuple):
    """A whole number within inclusive limits."""

    at_least: int = 0
    at_most: int = 1_000_000

    def read(self, node: Any, where: _Reader) -> Any:
        """The int, or None after noting a mistake."""
        expected = f"a whole number from {self.at_least} to {self.at_most}"
        text = where.scalar(node, expected)
        if text is None:
            return None
        if not re.fullmatch(r"-?(0|[1-9][0-9]{0,9})", text) or not self.at_least <= int(text) <= self.at_most:
            return where.mistake(node, f"'{text}' is not {expected}")
        return int(text)


class Number:
    """A plain decimal number without a unit."""

    def read(self, node: Any, where: _Reader) -> Any:
        """The Decimal, or None after noting a mistake."""
        text = where.scalar(node, "a number")
        if text is None:
            return None
        if not re.fullmatch(r"[+-]?[0-9]{1,30}(\.[0-9]{1,30})?", text):
            return where.mistake(node, f"'{text}' is not a plain number", "a number such as 0.25")
        return Decimal(text)


class YesNo:
    """``yes`` or ``no``, nothing else."""

    def read(self, node: Any, where: _Reader) -> Any:
        """The bool, or None after noting a mistake."""
        text = where.scalar(node, "yes or no")
        if text in ("yes", "no", None):
            return None if text is None else text == "yes"
        near = "yes" if text.lower() in ("true", "on", "y", "yes", "1") else "no"
        return where.mistake(node, f"'{text}' is not an answer known here", "yes or no", near)


class Day:
    """A calendar day, year first: 2026-11-25."""

    def read(self, node: Any, where: _Reader) -> Any:
        """The date, or None after noting a mistake."""
        text = where.scalar(node, "a day such as 2026-11-25")
        if text is None:
            return None
        try:
            if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text):
                raise ValueError
            return date.fromisoformat(text)
        except ValueError:
            return where.mistake(node, f"'{text}' is not a day of the calendar", "a day such as 2026-11-25")


class Parsed(NamedTuple):
    """A text with a small grammar of its own; ``parse`` raises ValueError with a sentence when it cannot read it.

    The JSON Schema goes by what ``pattern`` gives, a whole-match regular expression that takes the same texts, or by
    ``dimensions``, if the text is a quantity of one of these.
    """

    parse: Callable[[str], Any]
    like: str
    pattern: Callable[[], str] | None = None
    dimensions: tuple[str, ...] = ()

    def read(self, node: Any, where: _Reader) -> Any:
        """What ``parse`` gives, or None after noting a mistake."""
        text = where.scalar(node, self.like)
        if text is None:
            return None
        try:
            return self.parse(text)
        except ValueError as error:
            return where.mistake(node, str(error), self.like)


class ListOf(NamedTuple):
    """A list of values of one kind, with an inclusive least and greatest length."""

    of: Any
    at_least: int = 0
    at_most: int = 1000

    def read(self, node: Any, where: _Reader) -> Any:
        """The Items, or None after noting a mistake."""
        if where.shape_of(node) != "list":
            return where.mistake(node, f"a {where.shape_of(node)} stands here", "a list")
        if not self.at_least <= len(node.value) <= self.at_most:
            where.mistake(node, f"a list of {len(node.value)}", f"at least {self.at_least}, at most {self.at_most}")
        values = [self.of.read(each, where) for each in node.value]
        return Items.of(values, [where.place(each) for each in node.value], where.place(node))


class MapOf(NamedTuple):
    """Names chosen by the writer, each with a value of one kind."""

    of: Any
    names: str = r"[A-Za-z0-9][A-Za-z0-9 _.-]{0,59}"
    at_least: int = 0

    def read(self, node: Any, where: _Reader) -> Any:
        """The Item, or None after noting a mistake."""
        pairs = where.pairs(node)
        if pairs is None:
            return None
        if len(pairs) < self.at_least:
            where.mistake(node, "nothing is named here", f"at least {self.at_least}")
        values, places = {}, {}
        for name, (key, value) in pairs.items():
            if not re.fullmatch(self.names, name):
                where.mistake(key, f"'{name}' is no name for this", "letters, digits, dash, dot")
            values[name] = self.of.read(value, where)
            places[name] = where.place(value)
        return Item(values, where.place(node), places, {name: where.place(key) for name, (key, _) in pairs.items()})


class Field(NamedTuple):
    """One key of a group: what stands there, whether it must, what is taken if it does not, and what it is for."""

    of: Any
    required: bool = True
    default: Any = None
    about: str = ""


class Group(NamedTuple):
    """A mapping with known keys."""

    fields: Mapping[str, Field]
    name: str = "this"

    def read(self, node: Any, where: _Reader) -> Any:
        """The Item, or None after noting a mistake; absent optional keys get their default."""
        pairs = where.pairs(node)
        return None if pairs is None else self.read_pairs(node, pairs, where)

    def read_pairs(self, node: Any, pairs: dict[str, tuple[Any, Any]], where: _Reader) -> Item:
        """Read a mapping whose keys have been collected."""
        values: dict[str, Any] = {}
        places: dict[str, Place] = {}
        for name, (key, value) in pairs.items():
            known = self.fields.get(name)
            if known is None:
                missing = [f for f in self.fields if f not in pairs]
                near = nearest(name, missing) or nearest(name, list(self.fields))
                where.mistake(key, f"unknown key '{name}' in {self.name}", "one of " + ", ".join(self.fields), near)
            else:
                values[name] = known.of.read(value, where)
                places[name] = where.place(value)
        for name, known in self.fields.items():
            if name not in pairs:
                if known.required:
                    where.mistake(node, f"'{name}' is missing in {self.name}", known.about)
                values[name] = known.default
        return Item(values, where.place(node), places, {name: where.place(key) for name, (key, _) in pairs.items()})


class OneOf(NamedTuple):
    """A group whose keys depend on the word under one of them, such as the steps of a sequence by their kind.

    ``default`` is the word taken where the key is absent; empty if it must stand there.
    """

    key: str
    groups: Mapping[str, Group]
    default: str = ""

    def read(self, node: Any, where: _Reader) -> Any:
        """The Item of the chosen group, or None after noting a mistake."""
        pairs = where.pairs(node)
        if pairs is None:
            return None
        if self.key not in pairs:
            if self.default:
                return self.groups[self.default].read_pairs(node, pairs, where)
            return where.mistake(node, f"'{self.key}' is missing", "one of " + ", ".join(self.groups))
        word = Word(tuple(self.groups)).read(pairs[self.key][1], where)
        return None if word is None else self.groups[word].read_pairs(node, pairs, where)


def whole(kind: Any, value: Any) -> bool:
    """Whether a value could be read as its kind demands, with everything below it: no mistake left a gap in it."""
    if value is None:
        return False
    if isinstance(kind, OneOf):
        kind = kind.groups[value.get(kind.key) or kind.default]
    if isinstance(kind, Group):
        return all(whole(field.of, value[name]) if value.given(name) else not field.required
                   for name, field in kind.fields.items())
    if isinstance(kind, MapOf):
        return all(whole(kind.of, each) for each in value.values())
    if isinstance(kind, ListOf):
        return kind.at_least <= len(value) <= kind.at_most and all(whole(kind.of, each) for each in value)
    return True


class _Reader:
    """Walks composed YAML nodes and notes what is wrong with them."""

    def __init__(self, path: str, findings: Findings) -> None:
        self.path = path
        self.findings = findings

    def place(self, node: Any) -> Place:
        return Place(self.path, node.start_mark.line + 1, node.start_mark.column + 1)

    def mistake(self, node: Any, what: str, expected: str = "", near: str = "") -> None:
        self.findings.add(self.place(node), what, expected, near)

    def shape_of(self, node: Any) -> str:
        return {"scalar": "single value", "sequence": "list", "mapping": "mapping"}[node.id]

    def scalar(self, node: Any, expected: str) -> str | None:
        if node.id != "scalar":
            self.mistake(node, f"a {self.shape_of(node)} stands here", expected)
            return None
        if node.value == "" or (node.value in ("~", "null") and not node.style):
            self.mistake(node, "no value stands here", expected)
            return None
        return str(node.value)

    def pairs(self, node: Any) -> dict[str, tuple[Any, Any]] | None:
        if node.id != "mapping":
            self.mistake(node, f"a {self.shape_of(node)} stands here", "a mapping, 'key: value' lines")
            return None
        found: dict[str, tuple[Any, Any]] = {}
        for key, value in node.value:
            if key.id != "scalar":
                self.mistake(key, f"a {self.shape_of(key)} stands where a key should", "a word")
            elif key.value in found:
                first = found[key.value][0].start_mark.line + 1
                self.mistake(key, f"the key '{key.value}' is repeated (first on line {first})", "each key once")
            else:
                found[key.value] = (key, value)
        return found


@lru_cache(maxsize=2)  # a file is looked at for its kind and then read; nodes are never changed
def compose(source: bytes, path: str) -> Any:
    """YAML nodes of a file, after the checks on size, encoding, tags and aliases; FileMistakes if they fail."""
    import yaml

    start = Place(path, 1, 1)
    if len(source) > LARGEST_FILE:
        raise FileMistakes([Mistake(start, f"a file of {len(source)} bytes", f"at most {LARGEST_FILE}")])
    try:
        text = source.decode("utf-8")
    except UnicodeDecodeError as error:
        before = source[:error.start]
        place = Place(path, before.count(b"\n") + 1, error.start - (before.rfind(b"\n") + 1) + 1)
        raise FileMistakes([Mistake(place, "bytes that are not UTF-8 text", "a file saved as UTF-8")]) from None
    loader = getattr(yaml, "CBaseLoader", yaml.BaseLoader)
    try:
        node = yaml.compose(text, Loader=loader)
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = Place(path, mark.line + 1, mark.column + 1) if mark else start
        raise FileMistakes([Mistake(place, f"not readable as YAML: {error.problem or error.context}")]) from None
    except yaml.YAMLError as error:
        what = str(error).splitlines()[0]
        raise FileMistakes([Mistake(start, f"not readable as YAML: {what}")]) from None
    except RecursionError:
        raise FileMistakes([Mistake(start, "nested too deeply", f"at most {DEEPEST} levels")]) from None
    if node is None:
        raise FileMistakes([Mistake(start, "the file is empty", "'format: 1' and 'kind:'")])
    _bounded(node, path)
    return node


def _bounded(root: Any, path: str) -> None:
    """Refuse tags, control characters, circles, depth, and more nodes than allowed once aliases are written out."""
    sizes: dict[int, int] = {}

    def refuse(node: Any, what: str, expected: str) -> FileMistakes:
        place = Place(path, node.start_mark.line + 1, node.start_mark.column + 1)
        return FileMistakes([Mistake(place, what, expected)])

    def size(node: Any, depth: int) -> int:
        if id(node) in sizes:
            if sizes[id(node)] < 0:
                raise refuse(node, "an alias refers to what it stands in", "no circles")
            return sizes[id(node)]
        if depth > DEEPEST:
            raise refuse(node, "nested too deeply", f"at most {DEEPEST} levels")
        if node.tag not in _PLAIN_TAGS:
            raise refuse(node, f"the tag '{node.tag}'", "no tags")
        if node.id == "scalar" and _UNSEEN.search(node.value):
            raise refuse(node, "a control character in a text", "characters that can be seen")
        sizes[id(node)] = -1
        children = node.value if node.id == "sequence" else [x for pair in node.value for x in pair] \
            if node.id == "mapping" else []
        total = 1 + sum(size(child, depth + 1) for child in children)
        if total > MOST_NODES:
            raise refuse(node, f"more than {MOST_NODES} values once aliases are written out", "a smaller file")
        sizes[id(node)] = total
        return total

    size(root, 1)


def load(source: bytes, path: str, kinds: Mapping[str, Group]) -> tuple[Item, Findings]:
    """Check a file against the group of its ``kind``; gives the Item and the findings so far.

    The caller adds what only it can know and then calls ``findings.raise_if_any()``. Mistakes that leave nothing to
    look at (unreadable, unknown kind) are raised at once as FileMistakes.
    """
    node = compose(source, path)
    findings = Findings()
    where = _Reader(path, findings)
    heads = {name: Group({"format": Field(Word(("1",)), about="1"), "kind": Field(Word((name,))), **group.fields},
                         f"the {name}") for name, group in kinds.items()}
    item = OneOf("kind", heads).read(node, where)
    if item is None:
        findings.raise_if_any()
    return item, findings


def load_file(path: Path, kinds: Mapping[str, Group]) -> tuple[Item, Findings, bytes]:
    """Like ``load``, from a file; also gives its bytes, for the digest."""
    try:
        with path.open("rb") as stream:
            source = stream.read(LARGEST_FILE + 1)
    except OSError as error:
        reason = error.strerror or "it cannot be read"
        raise FileMistakes([Mistake(Place(str(path), 1, 1), f"cannot be opened: {reason}")]) from None
    return (*load(source, str(path), kinds), source)


def kind_of(path: Path) -> str:
    """The ``kind`` a file says it is, as text, without checking anything else; FileMistakes if it cannot be read."""
    try:
        with path.open("rb") as stream:
            node = compose(stream.read(LARGEST_FILE + 1), str(path))
    except OSError as error:
        reason = error.strerror or "it cannot be read"
        raise FileMistakes([Mistake(Place(str(path), 1, 1), f"cannot be opened: {reason}")]) from None
    for key, value in node.value if node.id == "mapping" else []:
        if key.id == "scalar" and key.value == "kind" and value.id == "scalar":
            return str(value.value)
    raise FileMistakes([Mistake(Place(str(path), 1, 1), "'kind' is missing", "'format: 1' and 'kind:' at the top")])
