"""Only the door to voltage asks a source to energise, and only guard/power.py can let it."""

from __future__ import annotations

import ast
from pathlib import Path

PACKAGE = Path(__file__).parent.parent.parent / "eolseq"
DOOR = "guard/power.py"


def uses(tree: ast.AST) -> set[str]:
    """What a module does that only the door may: name Permit, or perform "energise"."""
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and any(alias.name == "Permit" for alias in node.names):
            found.add("imports Permit")
        if isinstance(node, ast.Attribute) and node.attr == "Permit":
            found.add("reaches Permit")
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "perform":
            words = [a.value for a in node.args if isinstance(a, ast.Constant)]
            if "energise" in words:
                found.add("performs energise")
            if not words:
                found.add("performs an action it was handed")
    return found


def modules() -> dict[str, set[str]]:
    return {path.relative_to(PACKAGE).as_posix(): uses(ast.parse(path.read_text()))
            for path in PACKAGE.rglob("*.py")}


def test_one_module_energises() -> None:
    assert [name for name, found in modules().items() if "performs energise" in found] == [DOOR]


def test_one_module_has_permits() -> None:
    assert [name for name, found in modules().items() if found & {"imports Permit", "reaches Permit"}] == [DOOR]


def test_only_the_watcher_passes_actions_on_and_only_to_the_guard_unit() -> None:
    """A driver page's transcript is played as well, on a line of paper that reaches no instrument; and the switch of one
    bay passes relays on to the switching unit, which makes no danger."""
    handed = [name for name, found in modules().items() if "performs an action it was handed" in found]
    assert sorted(handed) == ["guard/watcher.py", "instruments/register_transcript.py", "instruments/transcript.py",
                              "station/switching.py"]
    assert all("open_link" not in (PACKAGE / f"instruments/{name}.py").read_text() and
               "Modbus(" not in (PACKAGE / f"instruments/{name}.py").read_text()
               for name in ("transcript", "register_transcript"))


def test_what_a_person_types_goes_to_an_instrument_in_two_places_and_one_of_them_only_asks() -> None:
    """``Player.say`` sends any text: by hand inside a run through the door, and the listed questions of a page."""
    said = [path.relative_to(PACKAGE).as_posix() for path in PACKAGE.rglob("*.py")
            if any(isinstance(node, ast.Attribute) and node.attr == "say" for node in ast.walk(ast.parse(path.read_text())))]
    assert sorted(said) == ["commands/talk.py", "verification/by_hand.py"]


def test_the_walk_would_see_a_second_door() -> None:
    bad = "from eolseq.instruments.player import Permit\nsource.perform('energise', permit=Permit('power_source'))\n"
    assert uses(ast.parse(bad)) == {"imports Permit", "performs energise"}
