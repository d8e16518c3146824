"""Whatever stands in a band that is worked out: reading it gives a band in order or mistakes, nothing else."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.bands.nameplate import FORMS
from eolseq.errors import FileMistakes
from eolseq.quantity import units_of
from eolseq.shape import Amount, Count, Day, Group, ListOf, Number, Text, Word
from tests.bands.worked import worked

digits = st.integers(0, 10 ** 40).map(str)
number = st.one_of(st.integers(0, 300).map(str), st.decimals(0, 1000, places=3).map(str), digits,
                   digits.map(lambda text: f"0.{text[:28].zfill(30)}"))
WHERE = {"heater_resistance": "Stage 1", "ground_continuity": "Earth path", "dielectric_withstand": "Withstand",
         "motor_current": "Motor", "applied voltage": "voltage", "applied time": "time"}
CASES = [(WHERE[purpose], form.fields) for purpose, forms in FORMS.items() if purpose in WHERE for form in forms.values()]


def text_of(kind: Any) -> st.SearchStrategy[str]:
    """Texts that a field takes, or nearly takes."""
    if isinstance(kind, Group):
        return group(kind)
    if isinstance(kind, ListOf):
        return st.lists(text_of(kind.of), min_size=1, max_size=3).map(lambda each: "[" + ", ".join(each) + "]")
    if isinstance(kind, Word):
        return st.sampled_from([f'"{word}"' for word in kind.choices])
    if isinstance(kind, Amount):
        return st.builds(lambda value, unit: f"{value} {unit}", number, st.sampled_from(units_of(kind.dimension)))
    if isinstance(kind, Day):
        return st.just("2026-01-01")
    if isinstance(kind, Text):
        return st.sampled_from(["x", "common practice"])
    assert isinstance(kind, Number | Count)
    return number


def group(fields: Group) -> st.SearchStrategy[str]:
    """The needed keys, and any of the others."""
    needed = {name: text_of(field.of) for name, field in fields.fields.items() if field.required}
    others = {name: text_of(field.of) for name, field in fields.fields.items() if not field.required and name != "gives"}
    return st.fixed_dictionaries(needed, optional=others).map(
        lambda found: "{" + ", ".join(f"{key}: {value}" for key, value in found.items()) + "}")


@pytest.mark.parametrize(("where", "fields"), CASES, ids=[f"{where} {fields.name} {index}" for index, (where, fields) in enumerate(CASES)])
@settings(max_examples=20, deadline=None)
@given(data=st.data())
def test_a_band_or_mistakes(where: str, fields: Group, data: st.DataObject) -> None:
    text = data.draw(group(fields))
    try:
        found = worked(where, text)
    except FileMistakes as error:
        assert all(each.place.line > 0 and each.what for each in error.mistakes)
        return
    low, high = found.band.at_least, found.band.at_most
    assert low is not None or high is not None
    assert all(limit is None or (limit.base.is_finite() and limit.base >= Decimal(0)) for limit in (low, high))
    assert low is None or high is None or low.base <= high.base
    assert found.working.formula and found.band.basis
