"""Where in a file something stands, by the keys and numbers that lead to it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from eolseq.errors import Place
from eolseq.shape import compose


def place_at(path: Path, at: tuple[str | int, ...]) -> Place:
    """The place of a value of a YAML file that was read before: by keys and numbers from 0, as far as they lead."""
    node = compose(path.read_bytes(), str(path))
    for step in at:
        below = _below(node, step)
        if below is None:
            break
        node = below
    return Place(str(path), node.start_mark.line + 1, node.start_mark.column + 1)


def _below(node: Any, step: str | int) -> Any:
    if isinstance(step, int):
        return node.value[step] if node.id == "sequence" and step < len(node.value) else None
    return next((value for key, value in (node.value if node.id == "mapping" else []) if key.value == step), None)
