"""The tree of command headers of one instrument: short and long forms, optional nodes, numeric suffixes, paths."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TypeAlias

from eolseq.simulation.grammar import Call, short_form
from eolseq.simulation.status import CommandError

Handler: TypeAlias = Callable[[Call], str | None]
"""Does what a command says; gives back the response of a query, without terminator."""

_LONGEST_MNEMONIC = 12
_NODE = re.compile(r"([A-Z][A-Z_]*?)([0-9]*)", re.ASCII)
_PATTERN_NODE = re.compile(r"(\[?):?([A-Za-z_]+)(#?):?(\]?):?")


@dataclass(slots=True)
class Node:
    """One place in the tree: what follows it, and which patterns it is itself, as a command or as a query."""

    children: dict[str, Node] = field(default_factory=dict)
    numbered: bool = False
    patterns: dict[bool, tuple[str, tuple[int | None, ...]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Path:
    """Where in the tree the next header of a message begins, and the suffixes met on the way."""

    node: Node
    suffixes: tuple[int, ...] = ()


class HeaderTree:
    """All headers of one instrument, from patterns printed as the standard prints them.

    Instruments of one model share the tree; each has handlers of its own.
    """

    def __init__(self, commands: Mapping[str, Handler]) -> None:
        self._handlers = dict(commands)
        self._common = {pattern.upper(): handler for pattern, handler in commands.items() if pattern.startswith("*")}
        self.root = Path(_grown(tuple(pattern for pattern in commands if not pattern.startswith("*"))))

    def find(self, header: str, path: Path) -> tuple[Handler, tuple[int, ...], Path]:
        """The handler of a header, its numeric suffixes, and the path for the next header of the message."""
        upper = header.upper()
        if upper.startswith("*"):
            try:
                return self._common[upper], (), path
            except KeyError:
                raise CommandError(-113, header[:40]) from None
        query = upper.endswith("?")
        names = (upper[:-1] if query else upper).split(":")
        if not names[0]:
            names, path = names[1:], self.root
        node, suffixes = path.node, path.suffixes
        following = path
        for name in names:
            following = Path(node, suffixes)
            node, suffix = _step(node, name, header)
            suffixes = (*suffixes, suffix)
        if query not in node.patterns:
            raise CommandError(-113, header[:40])
        pattern, places = node.patterns[query]
        return self._handlers[pattern], tuple(1 if place is None else suffixes[place] for place in places), following


@lru_cache(maxsize=64)
def _grown(patterns: tuple[str, ...]) -> Node:
    """The top of the tree of these patterns, which nobody changes after."""
    top = Node()
    for pattern in patterns:
        _add(top, pattern)
    return top


def _add(top: Node, pattern: str) -> None:
    query = pattern.endswith("?")
    nodes = _pattern_nodes(pattern.removesuffix("?"))
    for chosen in itertools.product(*((True, False) if optional else (True,) for _, _, optional in nodes)):
        node, depth = top, 0
        places: list[int | None] = []
        for (keyword, numbered, _), present in zip(nodes, chosen, strict=True):
            if numbered:
                places.append(depth if present else None)
            if present:
                node = _grow(node, keyword, numbered)
                depth += 1
        if depth:
            node.patterns.setdefault(query, (pattern, tuple(places)))


def _pattern_nodes(pattern: str) -> list[tuple[str, bool, bool]]:
    """The nodes of a printed pattern: keyword, whether it takes a number, whether it may be left out."""
    nodes = []
    position = 0
    while position < len(pattern):
        match = _PATTERN_NODE.match(pattern, position)
        if match is None or match.end() == position or bool(match[1]) != bool(match[4]):
            raise CommandError(-310, f"pattern {pattern!r}")
        nodes.append((match[2], bool(match[3]), bool(match[1])))
        position = match.end()
    return nodes


def _grow(node: Node, keyword: str, numbered: bool) -> Node:
    child = node.children.get(keyword.upper()) or Node()
    child.numbered = child.numbered or numbered
    node.children[keyword.upper()] = child
    node.children[short_form(keyword)] = child
    return child


def _step(node: Node, name: str, header: str) -> tuple[Node, int]:
    """The child of a node by its name as sent, and its numeric suffix (1 when none was sent)."""
    if len(name) > _LONGEST_MNEMONIC:
        raise CommandError(-112, header[:40])
    match = _NODE.fullmatch(name)
    if match is None:
        raise CommandError(-103 if "," in name or "=" in name else -102, header[:40])
    child = node.children.get(match[1])
    suffix = int(match[2]) if match[2] else 1
    if child is None or (suffix != 1 and not child.numbered):
        raise CommandError(-113, header[:40])
    return child, suffix
