"""The challenge: reference units with known faults go through the real sequence, and each must be caught as it must."""

from __future__ import annotations

import dataclasses

from eolseq.bands.band import Outcome
from eolseq.engine.run import RunResult
from eolseq.records.entries import Shown
from eolseq.sequence.model import Sequence
from eolseq.serials import RESERVED
from eolseq.station.checks import Challenges, Reference


def for_references(sequence: Sequence) -> Sequence:
    """The same sequence, bytes and digest and all, for serials of reference units, which are never released."""
    unit = dataclasses.replace(sequence.unit, serial_pattern=f"{RESERVED}[A-Z0-9-]{{1,29}}")
    return dataclasses.replace(sequence, unit=unit)


def serial_of(reference: Reference) -> str:
    """The reserved serial of a reference unit."""
    return f"{RESERVED}{reference.name.upper()}"[:40]


def unknown_steps(challenges: Challenges, sequence: Sequence) -> list[str]:
    """The steps that references name and the sequence does not have; such a reference could never be caught."""
    names = {step.name for step in sequence.steps}
    return [f"{each.name}: '{each.step}'" for each in challenges.references if each.step and each.step not in names]


def judge_reference(reference: Reference, result: RunResult) -> Shown:
    """Whether a reference unit was caught: failed at its step, for its reason, and at no step before; or passed."""
    expected = "passes" if not reference.step else f"fails at '{reference.step}'" + (
        f", {reference.reading}" if reference.reading else "")
    return Shown(reference.name, result.serial, result.index, expected, result.sentence,
                 "caught" if _caught(reference, result) else "missed")


def _caught(reference: Reference, result: RunResult) -> bool:
    if not reference.step:
        return result.outcome is Outcome.PASS
    failed = [(step, verdict) for step, verdict in result.steps if verdict.outcome is Outcome.FAIL]
    if result.outcome is not Outcome.FAIL or not failed or failed[0][0].name != reference.step:
        return False
    verdict = failed[0][1]
    bad = [each.name for each in verdict.readings if each.outcome is Outcome.FAIL]
    return (not reference.reading or any(name.startswith(reference.reading) for name in bad)) \
        and reference.says.lower() in verdict.sentence.lower()
