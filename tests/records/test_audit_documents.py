"""The audit judges what people signed: each document at its place, and every run that claims to be approved."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from eolseq.records import entries
from eolseq.records.approvals import SEQUENCE
from eolseq.records.audit import audit
from eolseq.records.log import Log
from tests.records.people import PEOPLE, Plant, approval_document, carry, registry_document
from tests.records.samples import SEQUENCE as USED
from tests.records.samples import begin, end, open_log


def found(folder: Path) -> list[tuple[int | None, str]]:
    report = audit(folder)
    assert report.findings_count == len(report.findings)
    return [(each.index, each.name) for each in report.findings]


def approval_entry(plant: Plant, *signers: str, said: str | None = None) -> entries.Approval:
    document = approval_document(plant.standing, *signers, source=b"x\n")
    return entries.Approval(of=SEQUENCE, name="Earth path", digest=said or document.payload["digest"],
                            document=document.text.decode())


# What a station's program would never write, but someone with the station's key could.
FORGED: dict[str, Callable[[Plant], entries.Entry]] = {
    "an approval signed by maintenance": lambda p: approval_entry(p, "m-1"),
    "an approval by a stranger": lambda p: approval_entry(p, "stranger"),
    "an entry that says another digest": lambda p: approval_entry(p, "e-1", said="00" * 32),
    "a registry signed by one of two": lambda p: entries.Keys(version=3, document=registry_document(
        p.standing, "q-1", enrol=("q-3",)).text.decode()),
    "a registry under another number": lambda p: entries.Keys(version=9, document=registry_document(
        p.standing, "q-1", "q-2", enrol=("q-3",)).text.decode()),
    "no document at all": lambda p: entries.Keys(version=3, document="{}"),
}


@pytest.mark.parametrize("name", FORGED)
def test_a_document_that_may_not_stand_there_is_a_finding(quick_path: Path, name: str) -> None:
    plant = Plant(quick_path)
    with plant.log as log:
        carry(log, approval_document(plant.standing, "e-1"))
        index = log.append(FORGED[name](plant))
        log.checkpoint()
    assert found(quick_path / "records") == [(index, "document not valid")]


def test_what_stands_rightly_is_no_finding_even_when_its_signer_is_revoked_later(quick_path: Path) -> None:
    plant = Plant(quick_path)
    with plant.log as log:
        carry(log, approval_document(plant.standing, "e-1"))
        carry(log, registry_document(plant.standing, "q-1", "q-2", revoke={"e-1": None}))
        carry(log, approval_document(plant.standing, "e-2", author="e-9"))
        log.checkpoint()
    assert found(quick_path / "records") == []
    assert PEOPLE["e-1"].keyid in plant.standing.registry.revoked


def run_on(log: Log, trial: entries.YesNo, approval: int | None) -> int:
    """A run on a real station that says so of itself; the index of its begin."""
    index = log.append(replace(begin(log), mode="real", trial=trial, approval=approval))
    log.append(replace(end(log, index), mode="real", trial=trial, approval=approval))
    log.checkpoint()
    return index


def test_a_run_that_is_no_trial_names_an_approval_of_its_sequence(quick_path: Path) -> None:
    with open_log(quick_path, role="station") as log:
        from eolseq.records.approvals import Standing

        carry(log, registry_document(Standing(log.documents), "station", "q-1", enrol=("q-1", "e-1")))
        wrong = carry(log, approval_document(Standing(log.documents), "e-1"))
        right = carry(log, approval_document(Standing(log.documents), "e-1", digest=USED.digest, text=None))
        run_on(log, "yes", None)
        run_on(log, "no", right)
        assert found(quick_path / "records") == []
        bad = [run_on(log, "no", approval) for approval in (None, wrong, right + 1, 9_999)]
    assert found(quick_path / "records") == [(index, "run not approved") for index in bad]


def test_what_the_program_tests_without_a_unit_has_no_sequence_to_approve(quick_path: Path) -> None:
    """A verification names no approval; a reference unit, and whatever only looks like it, is tested with one."""
    from eolseq.records.approvals import Standing
    from eolseq.serials import OF_THE_PROGRAM

    with open_log(quick_path, role="station") as log:
        carry(log, registry_document(Standing(log.documents), "station", "q-1", enrol=("q-1", "e-1")))
        serials = (*OF_THE_PROGRAM, "REFERENCE-GOOD", f"{OF_THE_PROGRAM[0]}-2", OF_THE_PROGRAM[0].lower())
        begun = []
        for serial in serials:
            begun.append(log.append(replace(begin(log), serial=serial, mode="real", trial="no", approval=None)))
            log.append(replace(end(log, begun[-1]), serial=serial, mode="real", trial="no", approval=None))
        log.checkpoint()
    assert found(quick_path / "records") == [(index, "run not approved") for index in begun[len(OF_THE_PROGRAM):]]
