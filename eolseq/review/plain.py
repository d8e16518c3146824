"""A review as plain data for other programs: names and values, nothing rounded, nothing left out. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from datetime import datetime
from typing import Any

from eolseq.review.review import Review


def plain(review: Review) -> dict[str, Any]:
    """Every field by its name."""
    document = {each.name: _value(getattr(review, each.name)) for each in fields(review)}
    for row, each in zip(document["silences"], review.silences, strict=True):
        row["told"] = each.told
    return document


def _value(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat()
    if hasattr(value, "_fields"):
        return {name: _value(getattr(value, name)) for name in value._fields}
    if isinstance(value, Mapping):
        return {str(name): _value(each) for name, each in value.items()}
    if isinstance(value, tuple | list):
        return [_value(each) for each in value]
    return value
