"""Writes a starting file: values of ours, and beside each key what it is for, as the table of fields has it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any

from eolseq.shape import Amount, Count, Day, Field, Group, ListOf, MapOf, OneOf, Word, YesNo

WIDEST = 120  # columns
_PLAIN = re.compile(r"[A-Za-z0-9/](?:[A-Za-z0-9 _./%,()+*-]*[A-Za-z0-9_./%)])?")
_AFTER_COLON = re.compile(r":(?! )")


def starting_text(head: str, kind: str, group: Group, values: dict[str, Any]) -> str:
    """The text of a starting file: a head of comments, and the values with the remarks of their table of fields."""
    whole = Group({"format": Field(Word(("1",)), about="the form of the file"),
                   "kind": Field(Word((kind,)), about="what the file is"), **group.fields}, group.name)
    lines = [f"# {line}".rstrip() for line in head.splitlines()]
    lines += _Writer().group(whole, {"format": "1", "kind": kind, **values}, "")
    return "\n".join(lines) + "\n"


class _Writer:
    """Writes values as YAML; what a group's keys are for is said where the group first stands."""

    def __init__(self) -> None:
        self._said: list[Any] = []

    def group(self, group: Group, values: dict[str, Any], indent: str) -> Iterator[str]:
        """The lines of a mapping with known keys: those that have values, then those that may stand there besides."""
        new = all(group.fields is not each for each in self._said)
        self._said.append(group.fields)
        for name in [each for each in group.fields if each in values]:
            field = group.fields[name]
            yield from self._entry(name, field.of, values[name], field.about if new else "", indent)
        for name, field in group.fields.items():
            if new and name not in values:
                yield from _remark(f"{name}: {_example(field.of)}", field.about, f"{indent}# ", f"{indent}# ")

    def _entry(self, name: str, kind: Any, value: Any, about: str, indent: str) -> Iterator[str]:
        if isinstance(value, dict):
            yield from _remark(f"{name}:" if value else f"{name}: {{}}", about, indent, f"{indent}# ")
            yield from self._mapping(kind, value, indent + "  ")
        elif isinstance(value, list) and any(isinstance(each, dict) for each in value):
            yield from _remark(f"{name}:", about, indent, f"{indent}# ")
            for each in value:
                first, *more = self._mapping(kind.of, each, indent + "    ")
                while first.lstrip().startswith("#"):
                    yield first
                    first, *more = more
                yield f"{indent}  - {first.lstrip()}"
                yield from more
        else:
            yield from _remark(f"{name}: {_flow(value)}", about, indent, f"{indent}# ")

    def _mapping(self, kind: Any, value: dict[str, Any], indent: str) -> Iterator[str]:
        if isinstance(kind, MapOf):
            for name, each in value.items():
                yield from self._entry(name, kind.of, each, "", indent)
        elif isinstance(kind, OneOf):
            word = value.get(kind.key, kind.default)
            group = kind.groups[word]
            others = [each for each in kind.groups if each != word]
            if kind.default and others and all(group.fields is not each for each in self._said):
                yield from _folded(f"or with '{kind.key}:' one of {', '.join(others)}", f"{indent}# ")
            yield from self.group(group, value, indent)
        else:
            yield from self.group(kind, value, indent)


def _remark(text: str, about: str, indent: str, alone: str) -> Iterator[str]:
    """A line with its remark behind it, or above it where the line would become too long."""
    line = f"{indent}{text}"
    if not about:
        yield line
    elif len(line) + len(about) + 4 <= WIDEST:
        yield f"{line}  # {about}"
    else:
        yield from _folded(about, alone)
        yield line


def _folded(text: str, indent: str) -> Iterator[str]:
    line = ""
    for word in text.split(" "):
        if line and len(indent) + len(line) + 1 + len(word) > WIDEST:
            yield indent + line
            line = word
        else:
            line = f"{line} {word}" if line else word
    yield indent + line


def _flow(value: Any) -> str:
    """A text or a list of texts as YAML on one line; quoted wherever it might be read as anything else."""
    if isinstance(value, list):
        return "[" + ", ".join(_flow(each) for each in value) + "]"
    if _PLAIN.fullmatch(value) and "," not in value and value not in ("null", "true", "false"):
        return str(value)
    return json.dumps(value, ensure_ascii=False)


def _example(kind: Any) -> str:
    """What may stand for a key that is not there."""
    if isinstance(kind, Amount):
        return kind.example
    if isinstance(kind, Word):
        return " or ".join(kind.choices)
    if isinstance(kind, YesNo):
        return "yes or no"
    if isinstance(kind, Day):
        return "2026-11-25"
    if isinstance(kind, Count):
        return str(max(kind.at_least, 1))
    if isinstance(kind, Group):
        return "{" + ", ".join(kind.fields) + "}"
    if isinstance(kind, OneOf):
        return "{" + ", ".join(kind.groups[kind.default or next(iter(kind.groups))].fields) + "}"
    if isinstance(kind, ListOf):
        return f"[{_example(kind.of)}]"
    return f"{{name: {_example(kind.of)}}}" if isinstance(kind, MapOf) else "..."
