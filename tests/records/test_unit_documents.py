"""Lists of people, releases and the lead's word as people of the right and of the wrong role sign them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from eolseq.errors import NotGenuine
from eolseq.line.unit_state import Standing, state_of
from eolseq.records import line_entries
from eolseq.records.audit import audit
from eolseq.records.documents import PEOPLE_TYPE, RELEASE_TYPE, REWORK_TYPE, Document
from eolseq.records.entries import Entry
from eolseq.records.log import Log
from eolseq.records.people import MayTest, people_payload
from eolseq.records.unit_documents import release_payload, rework_payload
from tests.line.stories import UNIT, last_end, run_of
from tests.records import people, samples
from tests.records.people import Plant, carry, keys_of, registry_document, signed

OP = {"op-1": MayTest(("all",), date(2026, 12, 31))}


@pytest.fixture
def plant(quick_path: Path, monkeypatch: pytest.MonkeyPatch) -> Plant:
    """A real station's log with a registry: quality q-1 and q-2, engineer e-1, maintenance m-1."""
    monkeypatch.setattr(people, "open_log", lambda base: samples.open_log(base, role="station"))
    return Plant(quick_path)


def list_of(plant: Plant, *signers: str, number: int = 1, **changed: Any) -> line_entries.People:
    payload = {**people_payload(plant.standing.origin, number, OP, "for the test"), **changed}
    document = signed(PEOPLE_TYPE, payload, *keys_of(signers))
    return line_entries.People(number=number, document=document.text.decode())


def leaf_of(log: Log, serial: str = UNIT) -> str:
    return log.runs(serial)[-1].leaf.hex()


def release(plant: Plant, *signers: str, entry: dict[str, Any] | None = None, **changed: Any) -> line_entries.Release:
    log = plant.log
    payload = {**release_payload(log.origin, UNIT, last_end(log), leaf_of(log), "near enough"), **changed}
    document: Document = signed(RELEASE_TYPE, payload, *keys_of(signers))
    made = line_entries.Release(serial=UNIT, run=last_end(log), reason="near enough", by=signers[0],
                                document=document.text.decode())
    return replace(made, **entry or {})


def rework(plant: Plant, *signers: str, entry: dict[str, Any] | None = None, **changed: Any) -> line_entries.Rework:
    log = plant.log
    payload = {**rework_payload(log.origin, UNIT, last_end(log), "duct heater 6 kW", "a lead", None), **changed}
    document = signed(REWORK_TYPE, payload, *keys_of(signers))
    made = line_entries.Rework(serial=UNIT, run=last_end(log), sequence="duct heater 6 kW", cause="a lead", changed=None,
                               by=signers[0], lead="yes", document=document.text.decode())
    return replace(made, **entry or {})


def findings(folder: Path) -> list[tuple[int | None, str]]:
    """What the audit finds, but that the runs of these tests name no approval."""
    report = audit(folder / "records")
    return [(each.index, each.name) for each in report.findings if each.name != "run not approved"]


def test_what_is_rightly_signed_counts_and_is_told(plant: Plant, quick_path: Path) -> None:
    with plant.log as log:
        index = log.append(list_of(plant, "q-1"))
        log.append(list_of(plant, "q-2", number=2))
        assert plant.standing.people is not None and plant.standing.people.index == index + 1
        run_of(log, "undecided")
        released = log.append(release(plant, "q-1"))
        assert (state_of(log, UNIT).standing, state_of(log, UNIT).released) == (Standing.RELEASED, released)
        run_of(log, "fail")
        log.append(rework(plant, "e-1"))
        assert state_of(log, UNIT).standing is Standing.REWORKED
        log.checkpoint()
    assert findings(quick_path) == []
    notes = {each.name: each.meaning for each in audit(quick_path / "records").notes}
    assert notes["released"] == f"Unit {UNIT}, by q-1: near enough"
    assert notes["rework"] == f"Unit {UNIT}, by e-1, the lead's word: a lead; changed: nothing on the unit"


# What a station's program would never write, but someone with the station's key could.
FORGED: dict[str, tuple[Callable[[Plant], Entry], str]] = {
    "people by an engineer": (lambda p: list_of(p, "e-1"), "document not valid"),
    "people by maintenance and quality": (lambda p: list_of(p, "q-1", "m-1"), "document not valid"),
    "people by a stranger": (lambda p: list_of(p, "stranger"), "document not valid"),
    "people by the station": (lambda p: list_of(p, "station"), "document not valid"),
    "people of another log": (lambda p: list_of(p, "q-1", origin="other.example/b/0123456789abcdef"), "document not valid"),
    "people by name": (lambda p: list_of(p, "q-1", people=[
        {"id": "anna", "sequences": ["all"], "until": "2026-12-31", "trainee": "no"}]), "document not valid"),
    "people twice": (lambda p: list_of(p, "q-1", people=[
        {"id": "op-1", "sequences": ["all"], "until": "2026-12-31", "trainee": "no"}] * 2), "document not valid"),
    "people until never": (lambda p: list_of(p, "q-1", people=[
        {"id": "op-1", "sequences": ["all"], "until": "never", "trainee": "no"}]), "document not valid"),
    "people without sequences": (lambda p: list_of(p, "q-1", people=[
        {"id": "op-1", "sequences": [], "until": "2026-12-31", "trainee": "no"}]), "document not valid"),
    "nobody": (lambda p: list_of(p, "q-1", people=[]), "document not valid"),
    "no reason": (lambda p: list_of(p, "q-1", reason=" "), "document not valid"),
    "a field too many": (lambda p: list_of(p, "q-1", more=1), "document not valid"),
    "release by an engineer": (lambda p: release(p, "e-1"), "document not valid"),
    "release by maintenance": (lambda p: release(p, "m-1"), "document not valid"),
    "release of another unit": (lambda p: release(p, "q-1", serial="DH6-00000002"), "document not valid"),
    "release for another reason": (lambda p: release(p, "q-1", reason="other"), "document not valid"),
    "release of a later run": (lambda p: release(p, "q-1", run=4711, entry={"run": 4711}), "document not valid"),
    "release of another line": (lambda p: release(p, "q-1", leaf="00" * 32), "release of another line"),
    "release that nobody signed": (lambda p: release(p, "q-1", entry={"document": None}), "not signed"),
    "lead's word of maintenance": (lambda p: rework(p, "m-1"), "document not valid"),
    "lead's word on something else": (lambda p: rework(p, "e-1", cause="another"), "document not valid"),
    "lead's word for another log": (lambda p: rework(p, "e-1", origin="x"), "document not valid"),
    "lead's word that nobody signed": (lambda p: rework(p, "e-1", entry={"document": None}), "not signed"),
}


@pytest.mark.parametrize("name", FORGED)
def test_what_may_not_stand_there_is_a_finding_and_changes_nothing(plant: Plant, quick_path: Path, name: str) -> None:
    make, finding = FORGED[name]
    with plant.log as log:
        run_of(log, "undecided")
        entry = make(plant)
        index = log.append(entry)
        log.checkpoint()
        if finding == "document not valid":
            with pytest.raises(NotGenuine):
                _ = plant.standing
        elif finding == "not signed":
            state = state_of(log, UNIT)
            assert state.released is None, "nobody's word counts on a real station"
    assert (index, finding) in findings(quick_path)


def test_an_older_list_cannot_come_back(plant: Plant, quick_path: Path) -> None:
    with plant.log as log:
        log.append(list_of(plant, "q-1", number=2))
        index = log.append(list_of(plant, "q-1", number=1))
        log.checkpoint()
    assert findings(quick_path) == [(index, "document not valid")]


@pytest.mark.parametrize(("outcome", "trial", "kind", "reading"), [
    ("fail", False, "heater_resistance", "resistance"), ("pass", False, "heater_resistance", "resistance"),
    ("undecided", True, "heater_resistance", "resistance"), ("undecided", False, "dielectric_withstand", "current"),
    ("undecided", False, "ground_continuity", "resistance front-panel"),
    ("undecided", False, "heater_resistance", "residual voltage"), ("stopped", False, "motor_current", "current")])
def test_a_release_of_what_cannot_be_released_is_found(plant: Plant, quick_path: Path, outcome: str, trial: bool, kind: str,
                                                       reading: str) -> None:
    with plant.log as log:
        run_of(log, outcome, trial=trial, kind=kind, reading=reading)
        index = log.append(release(plant, "q-1"))
        log.checkpoint()
    assert findings(quick_path) == [(index, "release not allowed")]


def test_a_word_about_an_earlier_run_or_none_is_found(plant: Plant, quick_path: Path) -> None:
    with plant.log as log:
        first = run_of(log, "fail")
        run_of(log, "fail")
        index = log.append(rework(plant, "e-1", run=first, entry={"run": first}))
        never = log.append(line_entries.Void(serial="DH6-00000009", run=2, reason="opened", by="op-1"))
        log.checkpoint()
    assert findings(quick_path) == [(index, "rework of no run"), (never, "void of no run")]


def test_what_a_revoked_key_signed_counts_exactly_below_its_position(plant: Plant) -> None:
    with plant.log as log:
        run_of(log, "undecided")
        index = log.append(release(plant, "q-1"))
        carry(log, registry_document(plant.standing, "q-1", "q-2", "q-3", enrol=("q-3",), revoke={"q-1": index + 1}))
        assert state_of(log, UNIT).standing is Standing.RELEASED
        carry(log, registry_document(plant.standing, "q-2", "q-3", revoke={"q-1": index}))
        assert state_of(log, UNIT).standing is Standing.UNDECIDED
