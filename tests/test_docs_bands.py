"""The manual's page on bands holds every key of every way to work one out, and every row of every table."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.alloys import ALLOYS, WINDINGS
from eolseq.bands.bond import BOND_ROWS
from eolseq.bands.input_rows import INPUT_ROWS
from eolseq.bands.nameplate import FORMS
from eolseq.bands.settings import RESIDUAL_ROWS
from eolseq.bands.withstand_rows import WITHSTAND_ROWS
from eolseq.bands.working import Standing
from eolseq.commands import manual
from eolseq.sequence.load import read_sequence
from eolseq.shape import Amount, Field, Group, ListOf, Word
from tests.bands.worked import BANDS, SOUND
from tests.test_docs import fenced, rows, sections

PARTS = sections(manual.topic_text("bands"))
SHARED = {"applied voltage": "applied", "applied time": "applied voltage"}
"""What a band is for -> what has the same table, where two have."""


def heading(purpose: str, word: str) -> str:
    """The section that a form stands under."""
    if word == "units":
        return "units"
    while f"{purpose} from {word}" not in PARTS and purpose in SHARED:
        purpose = SHARED[purpose]
    return f"{purpose} from {word}"


def keys(kind: Any, before: str = "") -> Iterator[tuple[str, Field]]:
    """Every key of a form, with its field."""
    while isinstance(kind, ListOf):
        kind = kind.of
    for key, each in kind.fields.items() if isinstance(kind, Group) else ():
        yield before + key, each
        yield from keys(each.of, f"{before}{key}.")


@pytest.mark.parametrize(("purpose", "word"), [(purpose, word) for purpose, forms in FORMS.items() for word in forms])
def test_every_key_of_every_form_is_in_the_manual_and_no_other(purpose: str, word: str) -> None:
    described = rows(PARTS[heading(purpose, word)])
    known = dict(keys(FORMS[purpose][word].fields))
    assert set(described) == set(known)
    for path, field in known.items():
        cells = described[path]
        assert len(cells) == 4 and cells[3], path
        assert cells[2] == ("yes" if field.required else "no"), path
        if isinstance(field.of, Amount):
            assert cells[1] == field.of.dimension, path
        if isinstance(field.of, Word) and path.split(".")[-1] != "row":
            assert all(choice in cells[1] for choice in field.of.choices), path


@pytest.mark.parametrize(("head", "table"), [
    ("Withstand rows", WITHSTAND_ROWS), ("Ground continuity rows", BOND_ROWS), ("Input rows", INPUT_ROWS),
    ("Residual rows", RESIDUAL_ROWS)])
def test_every_row_stands_there_with_source_and_standing(head: str, table: Any) -> None:
    told = {cells[0]: cells for line in PARTS[head].splitlines()[4:]
            if (cells := [cell.strip() for cell in line.strip("|").split("|")])[0]}
    assert set(told) == set(table)
    for name, row in table.items():
        assert told[name][-2:] == [row.source.text, str(row.source.standing)]


def test_withstand_values_stand_there_as_they_are_printed() -> None:
    for name, row in WITHSTAND_ROWS.items():
        line = next(each for each in PARTS["Withstand rows"].splitlines() if each.startswith(f"| {name} "))
        cells = [cell.strip() for cell in line.strip("|").split("|")]
        assert cells[1:3] == [row.type, str(row.seconds)]
        assert cells[3].startswith(f"{row.volts}") and cells[4:6] == [row.conditions(), row.use]


def test_alloys_windings_and_standings_stand_there() -> None:
    for name, alloy in ALLOYS.items():
        points = " ".join(f"{celsius}:{factor}" for celsius, factor in alloy.points)
        assert f"| {name} | {points} |" in PARTS["Alloys"]
    assert all(f"| {name} | {each.constant} |" in PARTS["Windings"] for name, each in WINDINGS.items())
    assert all(f"| {standing} |" in manual.topic_text("bands") for standing in Standing)


def test_the_example_works_out_to_what_it_says() -> None:
    example = fenced(PARTS["heater_resistance from rating"], "yaml")[0]
    assert example.startswith("band:\n") and "gives: " in example
    block = "".join(f"    {line}\n" for line in example.splitlines())
    text = SOUND.replace(f"    {BANDS['Stage 1']}\n", block)
    band = read_sequence(text.encode(), Path("example.yaml")).steps[1].bands()[0][1]
    assert f"  gives: {band}\n" in example
