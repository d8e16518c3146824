"""Documents that are judged once each stand as if all were judged anew. People and plant are invented."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from eolseq.commands.covering import told_in
from eolseq.errors import NotGenuine
from eolseq.records import judged
from eolseq.records.approvals import Standing
from eolseq.records.judged import standing_of
from eolseq.records.reader import Records
from eolseq.records.registry import RegisteredKey
from tests.records.people import Plant, approval_document, carry, registry_document
from tests.records.test_fixture_documents import with_document


def said(standing: Standing) -> tuple[object, ...]:
    """All that is kept, keys by their names."""
    def names(signed: dict[int, tuple[RegisteredKey, ...]]) -> dict[int, list[str]]:
        return {index: [key.key.keyid for key in keys] for index, keys in signed.items()}

    registry = standing.registry
    return (registry.version, registry.leaf, sorted(registry.keys), sorted(registry.revoked), names(standing.verified),
            names(standing.fixtures), names(standing.about_units), standing.unlocked, standing.people,
            [(each.index, each.name, each.number, each.text) for each in standing.approvals])


def test_what_comes_is_judged_on_what_stood_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plant, taken = Plant(tmp_path), []
    whole = Standing.take
    with plant.log as log:
        for step in (approval_document(plant.standing, "e-1"), approval_document(plant.standing, "e-1", name="Leakage"),
                     registry_document(plant.standing, "q-1", "q-2", enrol=("q-3",))):
            carry(log, step)
            assert said(standing_of(log)) == said(plant.standing)
        index = log.append(with_document(plant))
        assert standing_of(log).holds(index)
        monkeypatch.setattr(Standing, "take", lambda self, entry: (taken.append(entry.index), whole(self, entry))[1])
        assert standing_of(log).holds(index) and taken == []
        later = log.append(with_document(plant))
        assert standing_of(log).holds(later) and taken == [later]


def test_a_document_that_may_not_stand_is_refused_whenever_it_is_asked_for(tmp_path: Path) -> None:
    with Plant(tmp_path).log as log:
        standing_of(log)
        carry(log, approval_document(Standing(log.documents), "stranger"))
        for _ in range(3):
            with pytest.raises(NotGenuine, match="not in this station's registry"):
                standing_of(log)
        carry(log, approval_document(Standing(log.documents[:2]), "e-1"))
        with pytest.raises(NotGenuine, match="not in this station's registry"):
            standing_of(log)


def test_a_log_that_is_shorter_or_another_one_is_judged_by_itself(tmp_path: Path) -> None:
    first, second = Plant(tmp_path / "a"), Plant(tmp_path / "b")
    with first.log as log, second.log as other:
        log.checkpoint()
        before = Records.open(tmp_path / "a" / "records")
        carry(log, approval_document(first.standing, "e-1"))
        for each, count in ((log, 1), (before, 0), (other, 0), (log, 1)):
            assert len(standing_of(each).approvals) == count


def test_only_a_few_logs_are_remembered(tmp_path: Path) -> None:
    for number in range(2 * judged._LOGS):
        with Plant(tmp_path / str(number)).log as log:
            standing_of(log)
    assert len(judged._known) <= judged._LOGS


def test_a_revocation_takes_back_what_was_taken_in_already(tmp_path: Path) -> None:
    plant = Plant(tmp_path)
    with plant.log as log:
        index = log.append(with_document(plant))
        assert [each.index for each in told_in(log, simulated=False)] == [index]
        carry(log, registry_document(plant.standing, "q-1", "q-2", revoke={"m-1": index}))
        assert told_in(log, simulated=False) == ()
        bad = log.append(replace(with_document(plant), outcome="fail", document=None))
        assert [each.index for each in told_in(log, simulated=False)] == [bad]
