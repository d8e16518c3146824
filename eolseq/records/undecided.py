"""What quality may release, and what needs the lead's word, by the ``end`` of a run as the record has it. Pure.

An undecided reading lies inside its band, but nearer to a limit than the decision rule allows. For a heater's cold
resistance and a motor's current that is a question of quality; for an earth path, insulation, leakage or a charge
that stays it is one of safety, and there is no concession.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

RELEASABLE = frozenset({("heater_resistance", "resistance"), ("motor_current", "current")})
"""Kind of step and name of reading that quality may release when it is undecided."""

WAY_OUT = "The way out is rework and a full passing run: eolseq rework."


def release_refusal(end: Mapping[str, Any]) -> str:
    """Why the run that this ``end`` ended cannot be released, in a sentence; empty when it can."""
    outcome = str(end.get("outcome"))
    if end.get("kind") != "end" or outcome != "undecided":
        ended = "was cut off" if end.get("kind") == "abandon" else f"ended as {outcome}"
        return f"Only an undecided run can be released; this one {ended}."
    if end.get("trial") != "no":
        return "It was a trial, which releases nothing."
    return next((f"{why[0].upper()}{why[1:]}" for why in map(_step_refusal, end["steps"]) if why), "")


def _step_refusal(step: Mapping[str, Any]) -> str:
    name, outcome = step["name"], step["outcome"]
    if outcome == "pass":
        return ""
    if outcome != "undecided":
        return f"step '{name}' is {outcome}; every step must have been measured."
    bad = [each for each in step["readings"] if each["outcome"] != "pass"]
    if bad and all(each["outcome"] == "undecided" and (step["kind"], each["name"]) in RELEASABLE for each in bad):
        return ""
    what = ", ".join(each["name"] for each in bad) or "its readings"
    return (f"step '{name}' is undecided in {what}: only a heater's cold resistance or a motor's current can be "
            "released, never an earth path, insulation, leakage or a charge that stays.")


def not_passed(end: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    """The steps that were measured and did not pass."""
    return (each for each in end.get("steps", ()) if each["outcome"] not in ("pass", "not reached"))


def needs_lead_unchanged(end: Mapping[str, Any]) -> str:
    """The step for which only the lead may have a unit tested again with nothing changed on it; empty if there is none.

    A unit whose earth path or insulation did not pass, and then does with nothing changed, is not understood.
    """
    kinds = {kind for kind, _ in RELEASABLE}
    return next((each["name"] for each in not_passed(end)
                 if each["outcome"] in ("fail", "undecided") and each["kind"] not in kinds), "")
