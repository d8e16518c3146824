"""Mistakes in a power input step, and in the order around it, each at its line and column."""

from __future__ import annotations

from pathlib import Path

import pytest

from eolseq.errors import FileMistakes
from eolseq.sequence.findings import findings
from eolseq.sequence.load import load_sequence, read_sequence

PATH = Path("sequences/duct-heater-3kw.yaml")
SOURCE = PATH.read_text(encoding="utf-8")
HEAD, STEP = SOURCE[:SOURCE.index("  - kind: power_input")], SOURCE[SOURCE.index("    name: Input with the fan"):]
NO_HEAT = SOURCE[len(HEAD):len(SOURCE) - len(STEP)]

# name -> (what to replace in the last step, by what, where the mistake is, words of it)
MISTAKES = {
    "no warm-up": ("    warm_up: 12 s\n", "", "kind: power_input\n    name: Input", "'warm_up' is missing"),
    "no cooling of a hot element": ("    cool_down: {parts: [fan], time: 8 s}\n", "", "kind: power_input\n    name: Input",
                                    "'cool_down' is missing in a step that heats for 12 s"),
    "cooled by a part that is not closed": ("{parts: [fan], time", "{parts: [fann], time", "fann]",
                                            "'fann' is not closed in this step"),
    "a turn of a part that is not closed": ("    warm_up: 12 s\n", "    in_turn: [stage-2]\n    warm_up: 12 s\n", "stage-2]",
                                            "'stage-2' is not closed in this step"),
    "a part with two turns": ("    warm_up: 12 s\n", "    in_turn: [stage-1, stage-1]\n    warm_up: 12 s\n",
                              "stage-1]\n    warm", "'stage-1' is named twice"),
    "limit of the source inside the band": ("current_limit: 20 A", "current_limit: 14 A", "14 A", "is not above the 14.59 A"),
    "settled sooner than its window": ("over: 1 s, within: 5 s", "over: 1 s, within: 0.5 s", "0.5 s}",
                                       "shorter than its window"),
    "band without an upper limit": ("    band:\n      from: rating\n      tolerance: {row: iec-60335-1-heating}\n    amps",
                                    "    band: {at_least: 2880 W, basis: x}\n    amps", "{at_least: 2880 W", "'at_most' is missing"),
    "line and neutral tied": ("    connections:\n      closed:\n        - {part: stage-1, by: coil, delay: 200 ms}\n        - {part: fan",
                              "    connections:\n      tied: [L, N]\n      closed:\n        - {part: stage-1, by: coil, delay: 200 ms}\n        - {part: fan",
                              "[L, N]\n      closed:\n        - {part: stage-1, by: coil, delay: 200 ms}\n        - {part: fan, by: coil, delay: 200 ms}\n",
                              "conductors are tied in a step that puts the supply on them"),
    "supply outside what is applied": ("    volts: 230 V", "    volts: 220 V", "rating\n      tolerance", "the rating is for 230 V"),
    "rated current at another voltage": ("    amps:\n      from: rating", "    amps:\n      from: ratings", "ratings",
                                         "'ratings' is not a word"),
}


@pytest.mark.parametrize("name", MISTAKES)
def test_a_mistake_is_found_at_its_place(name: str) -> None:
    old, new, at, words = MISTAKES[name]
    assert STEP.count(old) == 1
    text = HEAD + NO_HEAT + STEP.replace(old, new)
    with pytest.raises(FileMistakes) as caught:
        read_sequence(text.encode(), PATH)
    found = [each for each in caught.value.mistakes if words in each.what]
    assert found, str(caught.value)
    start = text.index(at, len(HEAD + NO_HEAT) - 40)
    assert found[0].place.line == text.count("\n", 0, start) + 1
    assert found[0].place.column in (start - text.rfind("\n", 0, start), start - text.rfind("\n", 0, start) - 6)


def test_a_step_without_any_floor_is_refused() -> None:
    amps = NO_HEAT[NO_HEAT.index("    amps:"):NO_HEAT.index("    applied:")]
    text = SOURCE.replace(amps, "    amps: {at_most: 0.55 A, basis: invented}\n")
    with pytest.raises(FileMistakes, match="neither band nor amps has a floor, so a unit without supply would pass"):
        read_sequence(text.encode(), PATH)


# what is left out -> the finding's code
LEFT_OUT = {"ground_continuity": "no-continuity", "dielectric_withstand": "no-withstand", "motor_current": "no-fan-current"}


@pytest.mark.parametrize("kind", LEFT_OUT)
def test_power_is_not_put_on_before_what_must_come_first(kind: str) -> None:
    parts = SOURCE.split("\n  - kind: ")
    anchors = {"&supply": next(each for each in parts if "&supply" in each)}
    kept = [each for each in parts if not each.startswith(kind)]
    text = "\n  - kind: ".join(kept)
    if kind == "motor_current":
        body = anchors["&supply"]
        supply = body[body.index("    applied: &supply"):body.index("    residual")]
        text = text.replace("    applied: *supply\n", supply, 1).replace(
            "    residual: *residual\n", "    residual: &residual {from: row, row: iec-60204-1, after: 2 s}\n", 1)
    found = findings(read_sequence(text.encode(), PATH))
    assert LEFT_OUT[kind] in {each.code for each in found if each.severity == "error"}


def test_the_shipped_ones_have_nothing_left_out() -> None:
    for path in (PATH, Path("sequences/duct-heater-9kw.yaml")):
        assert [each for each in findings(load_sequence(path)) if each.severity == "error"] == []
