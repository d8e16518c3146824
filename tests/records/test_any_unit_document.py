"""Whatever a list of people, a release or a lead's word says: it is taken, or refused with a sentence; never anything else."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.errors import NotGenuine
from eolseq.records.approvals import Standing
from eolseq.records.documents import PEOPLE_TYPE, RELEASE_TYPE, REWORK_TYPE, Document
from eolseq.records.people import MayTest, judge_people, people_payload
from eolseq.records.unit_documents import judge_release, judge_rework, release_payload, rework_payload
from tests.records.people import PEOPLE as WHO
from tests.records.people import Plant, signed
from tests.records.test_any_document import ANY

AT = 9  # the index at which they are carried
Judge = Callable[[Standing, Document], object]
ENTRY = {"serial": "u", "run": 3, "sequence": "s", "cause": "c", "changed": None, "reason": "r"}
KINDS: Mapping[str, tuple[str, str, Judge]] = {
    PEOPLE_TYPE: ("people", "q-1", lambda s, d: judge_people(d, s.registry, AT, None)),
    RELEASE_TYPE: ("release", "q-1", lambda s, d: judge_release(d, s.registry, AT, ENTRY)),
    REWORK_TYPE: ("rework", "e-1", lambda s, d: judge_rework(d, s.registry, AT, ENTRY)),
}


@pytest.fixture(scope="module")
def standing(tmp_path_factory: pytest.TempPathFactory) -> Standing:
    plant = Plant(Path(tmp_path_factory.mktemp("plant")))
    plant.log.close()
    return plant.standing


def payload_of(kind: str, origin: str) -> dict[str, Any]:
    if kind == PEOPLE_TYPE:
        return people_payload(origin, 1, {"op-1": MayTest(("all",), date(2026, 12, 31)),
                                          "tr-2": MayTest(("a", "b"), date(2026, 12, 31), trainee=True)}, "r")
    if kind == RELEASE_TYPE:
        return release_payload(origin, "u", 3, "00" * 32, "r")
    return rework_payload(origin, "u", 3, "s", "c", None)


def taken(standing: Standing, kind: str, payload: dict[str, Any], signer: str) -> bool:
    """Whether it is taken; any exception but a refusal that says what to do is let through."""
    try:
        KINDS[kind][2](standing, signed(kind, payload, WHO[signer]))
    except NotGenuine as error:
        assert error.what and error.do
        return False
    return True


FREE = {"reason", "number", "id", "until", "sequences", "trainee", "people", "leaf"}
"""What may be something else and still be right, since nothing else in the log says it too."""


@pytest.mark.parametrize("kind", KINDS)
@settings(max_examples=120, deadline=None)
@given(st.data())
def test_anything_in_any_field(standing: Standing, kind: str, data: st.DataObject) -> None:
    payload, signer = payload_of(kind, standing.origin), KINDS[kind][1]
    assert taken(standing, kind, payload, signer)
    where: Any = payload
    name = data.draw(st.sampled_from(sorted(payload)))
    if name == "people" and data.draw(st.booleans()):
        where = data.draw(st.sampled_from(payload[name]))
        name = data.draw(st.sampled_from(sorted(where)))
    before = json.dumps(where[name])
    where[name] = data.draw(ANY)
    if taken(standing, kind, payload, signer) and json.dumps(where[name]) != before:
        assert name in FREE, name


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("signer", [name for name in WHO if name != "q-3"])
def test_only_the_right_roles_may_sign(standing: Standing, kind: str, signer: str) -> None:
    right = {PEOPLE_TYPE: "q", RELEASE_TYPE: "q", REWORK_TYPE: "qe"}[kind]
    enrolled = signer in ("q-1", "q-2", "e-1", "e-2", "m-1")
    assert taken(standing, kind, payload_of(kind, standing.origin), signer) == (enrolled and signer[0] in right)


def test_one_kind_of_document_is_never_taken_for_another(standing: Standing) -> None:
    for kind in KINDS:
        for other in set(KINDS) - {kind}:
            document = signed(other, payload_of(kind, standing.origin), WHO["q-1"])
            with pytest.raises(NotGenuine):
                KINDS[kind][2](standing, document)
