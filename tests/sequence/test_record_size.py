"""The largest record that ``check`` foresees: no run's record is larger, and none is foreseen out of all proportion."""

import json
from base64 import b64decode
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from eolseq.engine.cautions import STANDARD
from eolseq.records import entries
from eolseq.records.envelope import LONGEST_LINE
from eolseq.sequence import record_size
from eolseq.sequence.load import load_sequence
from eolseq.sequence.record_size import largest_end, largest_line
from tests.rig import SEQUENCE, Rig


def keys(of: type) -> set[str]:
    return {each.name for each in fields(of)}


def test_the_foreseen_end_has_the_fields_of_a_real_one() -> None:
    end = largest_end(SEQUENCE)
    assert set(end) == keys(entries.End)
    assert set(end["earlier"][0]) == keys(entries.EarlierAttempt) and len(end["earlier"]) == entries.EARLIER_KEPT
    assert set(end["instruments"][0]) == keys(entries.InstrumentStanding)
    assert set(end["sequence"]) == keys(entries.SequenceUsed)
    step = end["steps"][-1]
    assert set(step) == keys(entries.StepDone)
    assert set(step["readings"][0]) == keys(entries.Measured)
    assert set(step["readings"][0]["instrument"]) == keys(entries.InstrumentUsed)
    assert set(step["applied"][0]) == keys(entries.Applied)


@given(st.recursive(st.none() | st.integers() | st.text(st.characters(exclude_categories=["Cs"])),
                    lambda inner: st.lists(inner) | st.dictionaries(st.text(max_size=9), inner), max_leaves=12))
@example({"'": '"', "\x00\x1f\n": "\x7f\u2028\\", '"""': None})
def test_the_bound_that_is_found_sooner_is_a_bound(data: Any) -> None:
    exact = len(json.dumps(data, ensure_ascii=False, separators=(",", ":")).encode())
    assert exact <= record_size.no_shorter(data) <= 12 * exact


def test_what_is_foreseen_is_held_against_the_limit_exactly(monkeypatch: pytest.MonkeyPatch) -> None:
    exact = largest_line(SEQUENCE)
    monkeypatch.setattr(record_size, "LONGEST_LINE", exact)
    assert list(record_size.record_size(SEQUENCE)) == []
    monkeypatch.setattr(record_size, "LONGEST_LINE", exact - 1)
    assert [each.code for each in record_size.record_size(SEQUENCE)] == ["record-too-large"]


def test_what_a_run_adds_is_allowed_for() -> None:
    assert record_size.LONGEST_LINE == LONGEST_LINE
    assert len(json.dumps(list(STANDARD))) <= record_size.CAUTIONS


@pytest.mark.parametrize(("serial", "defect"), [("DH6-00000001", None), ("DH6-00000002", "damp-insulation"),
                                                ("DH6-00000003", "no-earth-screw")])
def test_no_record_is_larger_than_foreseen(quick_path: Path, serial: str, defect: str | None) -> None:
    with Rig(quick_path, serial, defect) as rig:
        rig.run()
        line = rig.log.path.read_bytes().splitlines()[-1]
    written, foreseen = json.loads(b64decode(json.loads(line)["payload"])), largest_end(SEQUENCE)
    assert written["kind"] == "end"
    assert len(line) <= largest_line(SEQUENCE) <= 4 * len(line) + 20_000
    for step, most in zip(written["steps"], foreseen["steps"], strict=True):
        assert len(json.dumps(step)) <= len(json.dumps(most)), step["name"]
        assert len(step["readings"]) <= len(most["readings"])
        for reading in step["readings"]:
            bound = next((each for each in most["readings"] if each["name"] == reading["name"]), None)
            assert bound is not None and len(json.dumps(reading)) <= len(json.dumps(bound)), reading["name"]


@pytest.mark.parametrize("path", sorted(Path("sequences").glob("*.yaml")), ids=lambda path: path.stem)
def test_every_shipped_sequence_fits(path: Path) -> None:
    assert largest_line(load_sequence(path)) <= LONGEST_LINE


def test_letters_of_more_than_one_byte_are_counted_as_bytes(tmp_path: Path) -> None:
    text = Path("tests/sequence/sound.yaml").read_text(encoding="utf-8")
    sizes = []
    for letter in ("o", "ö"):
        path = tmp_path / "some.yaml"
        path.write_text(text.replace("basis: invented", f"basis: {letter * 90}", 1), encoding="utf-8")
        sizes.append(largest_line(load_sequence(path)))
    assert sizes[1] - sizes[0] == 2 * 90 // 3 * 4  # two points have that basis
