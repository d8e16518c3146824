"""The text in a label's QR code: what is written is read, and nothing else is."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.errors import WrongUse
from eolseq.line.label_code import LabelCode, looks_like_code, read_code
from eolseq.records.checkpoint import Checkpoint, read_body
from eolseq.records.note import NoteSigner, NoteVerifier, open_note, sign_note
from tests.records.samples import KEY, ORIGIN

CODES = st.builds(
    LabelCode, st.sampled_from(("unit", "carton")), st.booleans(), st.integers(0, 10 ** 9),
    st.builds(Checkpoint, st.from_regex(r"\A[a-z0-9][a-z0-9./-]{0,60}\Z"), st.integers(0, 10 ** 9),
              st.binary(min_size=32, max_size=32)),
    st.integers(1, 99), st.text(st.characters(min_codepoint=32, max_codepoint=0x24F), min_size=1, max_size=40),
    st.binary(min_size=64, max_size=64))


@given(CODES)
@settings(max_examples=200, deadline=None)
def test_what_is_written_is_read_back(code: LabelCode) -> None:
    text = code.text()
    assert text.isascii() and text.isprintable() and len(text.split(" ")) == 10
    assert read_code(text) == code
    assert read_code(f"  {text}\r\n") == code
    assert looks_like_code(text)
    assert ("SIMULATED" in text.split(" ")) == code.simulated


@given(CODES, st.data())
@settings(max_examples=200, deadline=None)
def test_a_text_that_is_read_is_the_one_way_of_writing_it(code: LabelCode, data: st.DataObject) -> None:
    text = code.text()
    at = data.draw(st.integers(0, len(text) - 1))
    changed = text[:at] + data.draw(st.sampled_from(("", "A", "0", " ", "%", "=", "é"))) + text[at + 1:]
    try:
        found = read_code(changed)
    except WrongUse:
        return
    assert found.text() == changed.strip()


CODE = LabelCode("unit", True, 22, Checkpoint(ORIGIN, 23, bytes(range(32))), 1, "DH6-00000001", bytes(64))
NOT_CODES = {
    "nothing": "",
    "a serial number": "DH6-00000001",
    "only a piece": CODE.text()[:80],
    "a word more": CODE.text() + " x",
    "two spaces": CODE.text().replace(" UNIT", "  UNIT"),
    "a later form": CODE.text().replace("LABEL-1", "LABEL-2"),
    "neither real nor simulated": CODE.text().replace("SIMULATED", "Simulated"),
    "another purpose": CODE.text().replace(" UNIT ", " PALLET "),
    "a padded index": CODE.text().replace(" 22 ", " 022 "),
    "a negative index": CODE.text().replace(" 22 ", " -22 "),
    "digits of another script": CODE.text().replace(" 22 ", " ٢٢ "),
    "a short root": CODE.text().replace("AAECAwQF", "AAEC"),
    "a serial written otherwise": CODE.text().replace("DH6-", "%44H6-"),
    "endless": CODE.text() + "A" * 100_000,
}


@pytest.mark.parametrize("name", NOT_CODES)
def test_anything_else_is_refused_with_what_to_do(name: str) -> None:
    with pytest.raises(WrongUse, match="Scan the square code"):
        read_code(NOT_CODES[name])


@pytest.mark.parametrize(("text", "is_one"), [(CODE.text(), True), ("eolseq-label-2 X", True), ("DH6-00000001", False)])
def test_a_label_is_never_taken_for_a_serial_number(text: str, is_one: bool) -> None:
    assert looks_like_code(text) is is_one


def test_what_is_signed_is_a_checkpoint_with_one_line_more() -> None:
    """C2SP tlog-checkpoint allows further lines, so the code's parts make a signed note that its readers take."""
    text = CODE.signed_text()
    assert text.endswith("label UNIT SIMULATED 22 1 DH6-00000001\n")
    note = sign_note(text, NoteSigner(ORIGIN, KEY))
    assert read_body(open_note(note, [NoteVerifier(ORIGIN, KEY.verifier())])[0]) == CODE.checkpoint
