"""One test walks every kind of step and every shipped sequence: a new one is covered the day it is added."""

import ast
from pathlib import Path

import pytest

from eolseq.instruments.roles import ROLES
from eolseq.quantity import Quantity
from eolseq.sequence.load import load_sequence
from eolseq.shape import Amount, Field, Group, ListOf
from eolseq.steps import STEP_KINDS
from eolseq.steps.base import Step

SEQUENCES = sorted(Path("sequences").glob("*.yaml"))
STEPS = [pytest.param(step, id=f"{path.stem} {step.name}") for path in SEQUENCES for step in load_sequence(path).steps]


def test_every_kind_of_step_is_shipped_in_some_sequence() -> None:
    assert {step.values[0].kind for step in STEPS} == set(STEP_KINDS)  # type: ignore[union-attr]


def test_every_file_of_a_step_kind_is_in_the_table() -> None:
    named = {path.stem for path in Path("eolseq/steps").glob("*.py")
             if any(isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "KIND"
                    for node in ast.parse(path.read_text()).body)}
    assert named == set(STEP_KINDS)


def test_ranks_are_the_order_of_testing() -> None:
    assert sorted(STEP_KINDS, key=lambda name: STEP_KINDS[name].rank) == [
        "holding_pressure", "ground_continuity", "heater_resistance", "dielectric_withstand", "motor_current", "power_input"]


def fields_of(group: Group) -> list[tuple[str, Field]]:
    """All fields of a group and of the groups in it."""
    found: list[tuple[str, Field]] = []
    for name, field in group.fields.items():
        inner = field.of.of if isinstance(field.of, ListOf) else field.of
        found += [(name, field), *(fields_of(inner) if isinstance(inner, Group) else [])]
    return found


@pytest.mark.parametrize("kind", STEP_KINDS)
def test_every_field_says_what_it_is_for(kind: str) -> None:
    for name, field in fields_of(STEP_KINDS[kind].fields):
        assert field.about, name
        assert isinstance(field.of, Amount) is False or field.of.dimension


@pytest.mark.parametrize("step", STEPS)
def test_what_a_step_asks_of_instruments_is_in_the_table_of_roles(step: Step) -> None:
    for role, settings in step.settings():
        takes = ROLES[role].takes
        for name, value in settings.items():
            kind = takes[name]
            assert value in kind if isinstance(kind, tuple) else isinstance(value, Quantity) and value.dimension == kind
        assert set(settings) == set(ROLES[role].does["prepare"])
    for role, reading, value in step.measures():
        assert ROLES[role].gives[reading] == value.dimension
    assert set(step.roles()) <= set(ROLES)
    assert {role for role, _ in step.settings()} <= set(step.roles())


@pytest.mark.parametrize("step", STEPS)
def test_what_a_step_says_of_itself(step: Step) -> None:
    names = [name for name, _ in step.bands()]
    assert len(names) == len(set(names))
    assert 0 < step.seconds() < 75
    assert all(isinstance(text, str) and text for text in step.settings_for_log().values())
    assert all(band.basis for name, band in step.bands() if not name.startswith("applied"))


@pytest.mark.parametrize("path", SEQUENCES, ids=lambda path: path.stem)
def test_a_shipped_sequence_says_that_it_is_invented(path: Path) -> None:
    assert "invented" in path.read_text(encoding="utf-8").split("format:")[0]
