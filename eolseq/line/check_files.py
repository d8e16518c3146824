"""A file of results from other equipment, CSV or JSON Lines, to results and to rows set aside with the reason: pure.

No row is dropped: each either becomes a result or stands among those set aside.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, Literal

from eolseq.line.earlier_checks import AHEAD, Told
from eolseq.quantity import Quantity, parse
from eolseq.sequence.needs import CHECK_LIKE, CHECK_NAME
from eolseq.station.earlier_fields import Equipment

MOST_BYTES = 4 << 20
LONGEST_ROW = 2000  # characters
_SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t"}
_SERIAL = re.compile(r"[A-Za-z0-9][A-Za-z0-9._/-]{0,39}")


@dataclass(frozen=True)
class Row:
    """One row of a file: its line (from 1), its text, and either what it tells or why it is set aside.

    ``about``: unit and check of a row that is set aside, where these can be read.
    """

    line: int
    text: str
    told: Told | None
    why: str = ""
    about: tuple[str, str] | None = None


def read_file(data: bytes, equipment: Equipment, *, json_lines: bool, now: datetime) -> list[Row]:
    """Every row of a file; one row with a reason where the file as a whole cannot be read."""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return [Row(1, "", None, "the file is not UTF-8 text")]
    if "\0" in text:
        return [Row(1, "", None, "the file has NUL characters in it")]
    rows = _json_rows(text) if json_lines else _csv_rows(text, equipment)
    return [_row(line, shown, cells, equipment, now) for line, shown, cells in rows]


def _json_rows(text: str) -> Iterator[tuple[int, str, Mapping[str, Any] | str]]:
    for number, line in enumerate(text.split("\n"), 1):
        if not line.strip():
            continue
        try:
            cells = json.loads(line, parse_float=str, parse_int=str, object_pairs_hook=_once)
        except (ValueError, RecursionError) as error:
            yield number, line, f"it is no JSON: {error}"
            continue
        yield number, line, cells if isinstance(cells, dict) else "it is no JSON object"


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice")
    return found


def _csv_rows(text: str, equipment: Equipment) -> Iterator[tuple[int, str, Mapping[str, Any] | str]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=_SEPARATORS[equipment.separator], strict=True)
    head: list[str] | None = None
    while True:
        before = reader.line_num + 1
        try:
            cells = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            yield before, "", f"it is no CSV ({error}); nothing behind it was read"
            return
        shown = _SEPARATORS[equipment.separator].join(cells)
        if head is None:
            head = [each.strip() for each in cells]
            lacking = [name for name in equipment.columns.values() if name and head.count(name) != 1]
            if lacking:
                yield before, shown, f"the head does not have the column '{lacking[0]}' once; no row was read"
                return
        elif cells and len(cells) != len(head):
            yield before, shown, f"it has {len(cells)} columns, and the head {len(head)}"
        elif cells:
            yield before, shown, dict(zip(head, cells, strict=True))


def _row(line: int, text: str, cells: Mapping[str, Any] | str, equipment: Equipment, now: datetime) -> Row:
    shown = text if len(text) <= LONGEST_ROW else text[:LONGEST_ROW] + "..."
    if isinstance(cells, str):
        return Row(line, shown, None, cells)
    if len(text) > LONGEST_ROW:
        return Row(line, shown, None, f"it is longer than {LONGEST_ROW} characters")
    try:
        return Row(line, shown, _told(cells, equipment, now))
    except ValueError as error:
        return Row(line, shown, None, str(error), _about(cells, equipment))


def _about(cells: Mapping[str, Any], equipment: Equipment) -> tuple[str, str] | None:
    try:
        return _unit_and_check(cells, equipment)
    except ValueError:
        return None


def _told(cells: Mapping[str, Any], equipment: Equipment, now: datetime) -> Told:
    return Told(*_unit_and_check(cells, equipment), _result(_cell(cells, equipment, "result"), equipment),
                read_made(_cell(cells, equipment, "made"), now),
                _value(_cell(cells, equipment, "value"), equipment.unit))


def _cell(cells: Mapping[str, Any], equipment: Equipment, ours: str) -> str:
    name = equipment.columns.get(ours) or ""
    value = cells.get(name, "") if name else ""
    if not isinstance(value, str):
        raise ValueError(f"'{name}' is neither a text nor a number")
    return value.strip()


def _unit_and_check(cells: Mapping[str, Any], equipment: Equipment) -> tuple[str, str]:
    serial, check = _cell(cells, equipment, "serial"), equipment.check or _cell(cells, equipment, "check")
    if not _SERIAL.fullmatch(serial):
        raise ValueError(f"{serial!r} is no serial")
    if len(check) > 60 or not re.fullmatch(CHECK_NAME, check):
        raise ValueError(f"{check!r} is no name of a check: {CHECK_LIKE}")
    return serial, check


def _result(word: str, equipment: Equipment) -> Literal["pass", "fail"]:
    if word in equipment.passes:
        return "pass"
    if word in equipment.fails:
        return "fail"
    raise ValueError(f"{word!r} is neither a word for pass nor for fail")


def read_made(text: str, now: datetime) -> datetime:
    """The time that a check was made (UTC) from ISO 8601; ValueError when it is none, or has not come yet."""
    try:
        made = datetime.fromisoformat(text)
    except ValueError as error:
        raise ValueError(f"{text!r} is no time in ISO 8601, such as 2026-11-25T14:30:00Z") from error
    try:
        made = made.astimezone(UTC) if made.tzinfo is not None else made.replace(tzinfo=UTC)
    except OverflowError as error:
        raise ValueError(f"{text!r} is no time that can be") from error
    if made > now + AHEAD:
        raise ValueError(f"its time {text} has not come yet")
    return made


def _value(text: str, unit: str) -> Quantity | None:
    return read_value(text, unit) if text else None


def read_value(text: str, unit: str = "") -> Quantity:
    """A measured value; ``unit`` is taken where the text has none. ValueError when it is no number with a unit."""
    value = parse(text)
    if value.unit:
        return value
    if not unit:
        raise ValueError(f"'{text}' has no unit")
    return parse(f"{text} {unit}")
