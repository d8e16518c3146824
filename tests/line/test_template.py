"""Templates of labels: those that come with the program, and every mistake one can have."""

from __future__ import annotations

from pathlib import Path

import pytest

from eolseq.errors import FileMistakes
from eolseq.line.template import SHIPPED, load_template

GOOD = (SHIPPED / "unit-label.yaml").read_text(encoding="utf-8")
SERIAL_TEXT = '  - {shows: text, says: "{serial}", left: 4 mm, top: 51 mm, width: 92 mm, height: 6 mm, bold: yes}\n'
BARS = "  - {shows: serial code, left: 4 mm, top: 38 mm, width: 92 mm, height: 12 mm}\n"

BAD = {
    "no serial in letters": (SERIAL_TEXT, "", "no text says {serial}"),
    "no bar code": (BARS, "", "the serial code stands 0 times"),
    "two bar codes": (SERIAL_TEXT, SERIAL_TEXT + BARS.replace("top: 38 mm", "top: 1 mm").replace("12 mm", "2 mm"),
                      "the serial code stands 2 times"),
    "an unknown word": ("{ratings}", "{rating}", "did you mean 'ratings'"),
    "a lone brace": ("Record {record}", "Record {record} }", "a brace that belongs to no word"),
    "over the edge": ("left: 64 mm", "left: 80 mm", "over the label's width"),
    "under the edge": ("top: 51 mm", "top: 58 mm", "over the label's height"),
    "two parts in one place": ("top: 51 mm", "top: 48 mm", "overlaps the one on line"),
    "too small to read": ("height: 4 mm", "height: 1 mm", "nobody can read"),
    "a code that says something": ("shows: serial code,", 'shows: serial code, says: "x",', "a code does not"),
    "a text that says nothing": ('says: "{model}", ', "", "a text says something"),
    "larger than paper": ("width: 100 mm", "width: 2 m", "outside what is possible"),
    "no unit": ("width: 100 mm", "width: 100", "no unit"),
    "not a label": ("kind: label", "kind: sequence", "not a word known here"),
}


@pytest.mark.parametrize("name", ["unit-label", "carton-label"])
def test_what_comes_with_the_program_is_in_order(name: str) -> None:
    found = load_template(SHIPPED / f"{name}.yaml")
    assert found.width > found.height > 0


@pytest.mark.parametrize("name", BAD)
def test_a_wrong_template_is_told_at_its_place(name: str, tmp_path: Path) -> None:
    old, new, told = BAD[name]
    assert GOOD.count(old) >= 1
    path = tmp_path / "label.yaml"
    path.write_text(GOOD.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(FileMistakes) as found:
        load_template(path)
    assert told in str(found.value)
    assert f"{path}:" in str(found.value)
