"""Whatever a document says, and whoever signed it: it is taken, or refused with a sentence; never anything else."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from eolseq.errors import NotGenuine
from eolseq.records.approvals import Standing
from eolseq.records.documents import APPROVAL_TYPE, KEYS_TYPE, read_document
from eolseq.records.registry import draft
from tests.records.people import PEOPLE as WHO
from tests.records.people import TEXT, Plant, approval_document, entry, signed

ANY = st.recursive(st.none() | st.booleans() | st.integers(-2**70, 2**70) | st.text(max_size=20),
                   lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
                   max_leaves=6)


@pytest.fixture(scope="module")
def standing(tmp_path_factory: pytest.TempPathFactory) -> Standing:
    plant = Plant(Path(tmp_path_factory.mktemp("plant")))
    plant.log.close()
    return plant.standing


def judged(standing: Standing, payload_type: str, payload: dict[str, Any], *signers: str) -> bool:
    """Whether a document is taken; any exception but a refusal that says what to do is let through."""
    document = signed(payload_type, payload, *(WHO[name] for name in signers))
    judge = standing.judge_registry if payload_type == KEYS_TYPE else standing.judge_approval
    try:
        judge(document, 2)
    except NotGenuine as error:
        assert error.what and error.do
        return False
    return True


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_a_registry_with_anything_in_any_field(standing: Standing, data: st.DataObject) -> None:
    payload = draft(standing.registry, enrol=[entry("q-3")], revoke={WHO["e-2"].keyid: (None, "left")}, reason="x")
    assert judged(standing, KEYS_TYPE, payload, "q-1", "q-2")
    name = data.draw(st.sampled_from(sorted(payload)))
    where: Any = payload
    if name in ("keys", "revoked") and data.draw(st.booleans()):
        where = data.draw(st.sampled_from(payload[name]))
        name = data.draw(st.sampled_from(sorted(where)))
    old, where[name] = where[name], data.draw(ANY)
    if not judged(standing, KEYS_TYPE, payload, "q-1", "q-2"):
        return
    # What may be anything: words for people, an earlier revocation, the scope and name of the key that is new.
    assert where[name] == old or name in ("reason", "from", "threshold", "holder", "scope", "revoked", "keys")


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.data())
def test_an_approval_with_anything_in_any_field(standing: Standing, data: st.DataObject) -> None:
    document = approval_document(standing, "e-1")
    payload = dict(document.payload)
    assert judged(standing, APPROVAL_TYPE, payload, "e-1")
    name = data.draw(st.sampled_from(sorted(payload)))
    payload[name] = data.draw(ANY)
    if judged(standing, APPROVAL_TYPE, payload, "e-1"):
        assert payload[name] == document.payload[name] or name in ("name", "version", "file", "reason", "author", "number",
                                                                   "text")
        assert payload["text"] in (None, TEXT.decode())


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_as_a_document(text: bytes) -> None:
    with pytest.raises(NotGenuine):
        read_document(text)


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10_000), st.binary(min_size=1, max_size=3))
def test_a_document_with_any_bytes_changed_is_refused(standing: Standing, at: int, other: bytes) -> None:
    text = approval_document(standing, "e-1").text
    at %= len(text)
    changed = text[:at] + other + text[at + len(other):]
    if changed == text:
        return
    with pytest.raises(NotGenuine):
        standing.judge_approval(read_document(changed), 2)
