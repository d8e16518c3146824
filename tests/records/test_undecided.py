"""What quality may release, by steps, readings and outcomes."""

from __future__ import annotations

from typing import Any

import pytest

from eolseq.records.undecided import RELEASABLE, needs_lead_unchanged, release_refusal
from eolseq.steps import STEP_KINDS

OUTCOMES = ("pass", "fail", "undecided", "stopped", "fault", "not reached")


def end(*steps: tuple[str, str, str], outcome: str = "undecided", **more: Any) -> dict[str, Any]:
    """An end whose steps each have one reading of that name, judged as the step was."""
    return {"kind": "end", "outcome": outcome, "trial": "no", "steps": [
        {"name": f"{kind} {place}", "kind": kind, "outcome": judged,
         "readings": [] if judged == "not reached" else [{"name": reading, "outcome": judged}]}
        for place, (kind, reading, judged) in enumerate(steps)], **more}


GOOD = ("ground_continuity", "resistance front-panel", "pass")
HEATER = ("heater_resistance", "resistance", "undecided")
MOTOR = ("motor_current", "current", "undecided")


@pytest.mark.parametrize("steps", [(HEATER,), (GOOD, HEATER), (GOOD, MOTOR), (GOOD, HEATER, MOTOR)])
def test_what_may_be_released(steps: tuple[tuple[str, str, str], ...]) -> None:
    assert release_refusal(end(*steps)) == ""


REFUSED: dict[str, tuple[dict[str, Any], str]] = {
    "earth path": (end(("ground_continuity", "resistance front-panel", "undecided"), HEATER), "never an earth path"),
    "withstand": (end(("dielectric_withstand", "current", "undecided")), "never an earth path, insulation"),
    "a charge that stays": (end(("heater_resistance", "residual voltage", "undecided")), "residual voltage"),
    "a charge at the motor": (end(("motor_current", "residual voltage", "undecided")), "residual voltage"),
    "power input": (end(("power_input", "power", "undecided")), "power_input 0"),
    "leakage": (end(("leakage_current", "current", "undecided")), "leakage"),
    "a step not reached": (end(HEATER, ("power_input", "power", "not reached")), "every step must have been measured"),
    "a step stopped": (end(HEATER, ("motor_current", "current", "stopped")), "is stopped"),
    "no reading": (end(HEATER) | {"steps": [{"name": "s", "kind": "heater_resistance", "outcome": "undecided",
                                             "readings": []}]}, "its readings"),
    "a trial": (end(HEATER, trial="yes"), "was a trial"),
    "a pass": (end(GOOD, outcome="pass"), "this one ended as pass"),
    "a failure": (end(HEATER, outcome="fail"), "this one ended as fail"),
    "a fault": (end(HEATER, outcome="fault"), "this one ended as fault"),
    "cut off": ({"kind": "abandon", "run": 3}, "this one was cut off"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_may_not(name: str) -> None:
    payload, said = REFUSED[name]
    assert said in release_refusal(payload)


@pytest.mark.parametrize("kind", STEP_KINDS)
@pytest.mark.parametrize("outcome", OUTCOMES)
@pytest.mark.parametrize("reading", ["resistance", "current", "power", "residual voltage", "trip"])
def test_of_every_kind_of_step_only_these_can(kind: str, outcome: str, reading: str) -> None:
    """Beside a heater that may be released: only another such reading, or a pass, leaves it releasable."""
    releasable = outcome == "pass" or (outcome == "undecided" and (kind, reading) in {
        ("heater_resistance", "resistance"), ("motor_current", "current")})
    assert (release_refusal(end(HEATER, (kind, reading, outcome))) == "") == releasable


def test_the_names_are_those_of_real_readings() -> None:
    """What a simulated DH-6 is measured for has these names, so that no rule here waits for a reading that never comes."""
    import tempfile
    from pathlib import Path

    from tests.rig import Rig

    with tempfile.TemporaryDirectory(dir="/dev/shm") as folder, Rig(Path(folder)) as rig:
        result = rig.run()
        seen = {(step.kind, each.name) for step, verdict in result.steps for each in verdict.readings}
    assert seen >= RELEASABLE


@pytest.mark.parametrize(("steps", "step"), [
    ((("dielectric_withstand", "trip", "fail"),), "dielectric_withstand 0"), ((GOOD, ("heater_resistance", "resistance", "fail")), ""),
    ((("ground_continuity", "resistance x", "undecided"),), "ground_continuity 0"), ((MOTOR,), ""),
    ((("ground_continuity", "resistance x", "stopped"),), ""), ((GOOD, ("power_input", "power", "fail")), "power_input 1")])
def test_a_repeat_with_nothing_changed_needs_the_lead_where_safety_failed(steps: tuple[tuple[str, str, str], ...],
                                                                          step: str) -> None:
    assert needs_lead_unchanged(end(*steps)) == step
