"""Approvals: who must sign what, that no old one comes back, and what a changed byte does."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path

import pytest

from eolseq.errors import NotGenuine, Refused, WrongUse
from eolseq.records import entries
from eolseq.records.approvals import DRIVER_PAGE, SEQUENCE, STATION_FILE, Standing, approval_payload
from eolseq.records.documents import APPROVAL_TYPE, Document, read_document
from eolseq.records.envelope import LONGEST_LINE
from eolseq.sequence.approval import Subject, approved, first_difference
from tests.records.people import PEOPLE, TEXT, Plant, approval_document, carry, registry_document, signed

TODAY = date(2026, 1, 5)


@pytest.fixture
def plant(quick_path: Path) -> Iterator[Plant]:
    found = Plant(quick_path)
    yield found
    found.log.close()


def subject(source: bytes = TEXT, of: str = SEQUENCE, name: str = "Earth path", path: str = "earth.yaml") -> Subject:
    return Subject(of, name, path, source)


def test_an_engineer_who_is_not_the_author_approves_a_sequence(plant: Plant) -> None:
    index = carry(plant.log, approval_document(plant.standing, "e-1"))
    found = approved(subject(), plant.standing, TODAY)
    assert (found.index, found.author, [key.holder for key in found.signers]) == (index, "e-2", ["e-1"])
    assert found.digest == hashlib.sha256(TEXT).hexdigest()


@pytest.mark.parametrize("of", [DRIVER_PAGE, STATION_FILE])
def test_maintenance_signs_and_an_engineer_countersigns(plant: Plant, of: str) -> None:
    half = approval_document(plant.standing, "m-1", of=of)
    plant.standing.judge_approval(half, plant.log.size, whole=False)
    with pytest.raises(NotGenuine, match="signature of engineer is missing"):
        plant.standing.judge_approval(half, plant.log.size)
    index = carry(plant.log, approval_document(plant.standing, "m-1", "e-1", of=of))
    assert approved(subject(of=of), plant.standing, TODAY).index == index


def forced(standing: Standing, **changed: object) -> Document:
    """An approval signed by e-1 that no command would make."""
    payload = approval_payload(standing.origin, SEQUENCE, "Earth path", TEXT, number=1, file="earth.yaml", author="e-2",
                               reason="x", effective=TODAY)
    return signed(APPROVAL_TYPE, {**payload, **changed}, PEOPLE["e-1"])


Bad = Callable[[Standing], Document]
BAD: dict[str, tuple[Bad, str]] = {
    "signed in the wrong role": (lambda s: approval_document(s, "m-1"), "is a maintenance's; this needs engineer"),
    "signed by quality": (lambda s: approval_document(s, "q-1"), "is a quality's"),
    "a second signature in the wrong role": (lambda s: approval_document(s, "e-1", "m-1"), "is a maintenance's"),
    "signed by the station": (lambda s: approval_document(s, "station"), "is a simulated station's"),
    "signed by a stranger": (lambda s: approval_document(s, "stranger"), "not in this station's registry"),
    "signed by its author": (lambda s: approval_document(s, "e-2"), "is the author and cannot approve it too"),
    "signed by its author as well": (lambda s: approval_document(s, "e-1", "e-2"), "is the author"),
    "without an author": (lambda s: forced(s, author=None), "names no author"),
    "for another station": (lambda s: approval_document(s, "e-1", origin="aldervale.example/bench-2/00"), "another log"),
    "of another kind of file": (lambda s: forced(s, of="simulator"), "names no kind of file"),
    "a digest that is none": (lambda s: approval_document(s, "e-1", digest="ab"), "no digest known here"),
    "another text than its digest": (lambda s: approval_document(s, "e-1", text="other\n"), "not the one its digest"),
    "a day that is none": (lambda s: approval_document(s, "e-1", effective="2026-02-30"), "is no date"),
    "a number as text": (lambda s: approval_document(s, "e-1", number="1"), "'number' is not what"),
    "a number that is yes": (lambda s: approval_document(s, "e-1", number=True), "'number' is not what"),
    "engineers only, for a driver page": (
        lambda s: approval_document(s, "e-1", "e-2", of=DRIVER_PAGE), "signature of maintenance is missing"),
    "maintenance only, for a station file": (
        lambda s: approval_document(s, "m-1", of=STATION_FILE), "signature of engineer is missing"),
    "a registry instead": (lambda s: registry_document(s, "q-1", "q-2", enrol=("q-3",)), "is of type"),
}


@pytest.mark.parametrize("name", BAD)
def test_an_approval_that_may_not_stand_is_refused_and_nothing_is_lost(plant: Plant, name: str) -> None:
    make, reason = BAD[name]
    before = plant.log.path.read_bytes()
    document = make(plant.standing)
    with pytest.raises(NotGenuine, match=reason) as caught:
        plant.standing.judge_approval(document, plant.log.size)
    assert caught.value.do
    assert plant.log.path.read_bytes() == before
    assert len(BAD) == 18


def test_an_approval_is_not_played_back(plant: Plant) -> None:
    """The same document again, and one that was signed before a stricter one but never carried."""
    early = approval_document(plant.standing, "e-1", source=b"limit: 9 mA\n")
    first = approval_document(plant.standing, "e-1")
    carry(plant.log, first)
    carry(plant.log, approval_document(plant.standing, "e-1", source=b"limit: 1 mA\n"))
    for old in (first, early):
        with pytest.raises(NotGenuine, match="an older one cannot come back"):
            plant.standing.judge_approval(old, plant.log.size)
    with pytest.raises(Refused, match="not as it was approved in entry 3"):
        approved(subject(), plant.standing, TODAY)


def test_an_entry_that_says_something_else_than_its_document_is_not_taken(plant: Plant) -> None:
    document = approval_document(plant.standing, "e-1")
    plant.log.append(entries.Approval(of=SEQUENCE, name="Earth path", digest="00" * 32, document=document.text.decode()))
    with pytest.raises(NotGenuine, match="says something else"):
        Standing(plant.log.documents)


def test_nothing_is_approved_before_its_day(plant: Plant) -> None:
    carry(plant.log, approval_document(plant.standing, "e-1", effective="2026-01-06"))
    with pytest.raises(Refused, match="takes effect on 2026-01-06"):
        approved(subject(), plant.standing, TODAY)
    assert approved(subject(), plant.standing, date(2026, 1, 6)).number == 1


def test_a_key_revoked_from_an_earlier_entry_on_voids_what_it_signed_since(plant: Plant) -> None:
    index = carry(plant.log, approval_document(plant.standing, "e-1"))
    carry(plant.log, registry_document(plant.standing, "q-1", "q-2", revoke={"e-1": index + 1}))
    assert approved(subject(), plant.standing, TODAY).index == index
    carry(plant.log, registry_document(plant.standing, "q-1", "q-2", revoke={"e-1": index}))
    with pytest.raises(Refused, match=f"holds no more: the key of e-1 was revoked from entry {index} on"):
        approved(subject(), plant.standing, TODAY)


def test_a_changed_byte_voids_an_approval_and_the_line_is_named(plant: Plant) -> None:
    """Every byte of the file changed in turn, at any place; each refusal names the file and the very line."""
    carry(plant.log, approval_document(plant.standing, "e-1"))
    standing = plant.standing
    cases = 0
    for at in range(len(TEXT)):
        for other in (TEXT[:at] + bytes([TEXT[at] ^ 1]) + TEXT[at + 1:], TEXT[:at] + TEXT[at + 1:], TEXT[:at]):
            if other == TEXT:
                continue
            with pytest.raises(Refused) as caught:
                approved(subject(other), standing, TODAY)
            line = first_difference(TEXT.decode(), other.decode())
            where = f"earth.yaml:{line[0]}: " if line else "earth.yaml is not"
            assert caught.value.what.startswith(where), (at, other)
            assert "See the engineer" in caught.value.do
            cases += 1
    assert cases == 3 * len(TEXT)


def test_the_refusal_quotes_both_lines(plant: Plant) -> None:
    carry(plant.log, approval_document(plant.standing, "e-1"))
    with pytest.raises(Refused, match=r"earth.yaml:4: .* this line is 'limit: 5 mA' and was 'limit: 2 mA'"):
        approved(subject(TEXT.replace(b"2 mA", b"5 mA")), plant.standing, TODAY)
    with pytest.raises(Refused, match=r"earth.yaml:1: .*A changed byte"):  # its name was changed with it
        approved(subject(TEXT.replace(b"format: 1", b"format: 2"), name="Earth path 2"), plant.standing, TODAY)
    with pytest.raises(Refused, match=r"'Bond' \(bond.yaml\) is not approved on this station"):
        approved(subject(name="Bond", path="bond.yaml"), plant.standing, TODAY)


def test_a_long_file_is_approved_by_digest_alone(plant: Plant) -> None:
    long = TEXT + b"# " + b"x" * 200_000 + b"\n"
    index = carry(plant.log, approval_document(plant.standing, "e-1", source=long))
    assert approved(subject(long), plant.standing, TODAY).index == index
    with pytest.raises(Refused, match="too long to be kept, so no line can be named"):
        approved(subject(long + b"\n"), plant.standing, TODAY)


@pytest.mark.parametrize("sign", ['"', "\\", "\n", "x", "é", "\x01"])
def test_whatever_is_in_a_file_its_approval_fits_a_line(plant: Plant, sign: str) -> None:
    for length in (100, 5_000, 16_000, 32_000, 33_000, 40_000):
        document = approval_document(plant.standing, "m-1", "e-1", of=STATION_FILE, source=(sign * length).encode())
        carry(plant.log, document)
    longest = max(map(len, plant.log.path.read_bytes().splitlines()))
    assert 40_000 < longest <= LONGEST_LINE
    assert len(Standing(plant.log.documents).approvals) == 6


def test_a_file_that_is_no_text_is_not_approved(plant: Plant) -> None:
    with pytest.raises(WrongUse, match="not UTF-8"):
        approval_document(plant.standing, "e-1", source=b"\xff")


def test_a_document_has_one_spelling(plant: Plant) -> None:
    text = approval_document(plant.standing, "e-1").text
    read_document(text + b"\n")
    for other in (text + b" ", b" " + text, text.replace(b'","', b'", "'), text[:-1], b"", b"{}", text + b"\n\n"):
        with pytest.raises(NotGenuine, match="no signed document"):
            read_document(other)
