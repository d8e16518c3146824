"""What a sound sequence file becomes."""

import hashlib
import re
import time
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.errors import FileMistakes
from eolseq.sequence.load import load_sequence
from eolseq.sequence.model import LONGEST_SERIAL
from eolseq.serials import read_pattern

SOUND = Path("tests/sequence/sound.yaml")


def test_values_keep_their_digits_and_units() -> None:
    sequence = load_sequence(SOUND)
    assert [step.kind for step in sequence.steps] == ["ground_continuity", "heater_resistance", "heater_resistance",
                                                      "dielectric_withstand", "motor_current"]
    assert str(sequence.steps[1].bands()[0][1]) == "17.84 ohm to 20.81 ohm"
    assert sequence.unit.rated["voltage"].base == Decimal(240)
    assert sequence.unit.metal_parts == ("panel", "frame")
    assert (sequence.name, sequence.version) == ("Test product", "1")


def test_the_digest_is_that_of_the_bytes() -> None:
    sequence = load_sequence(SOUND)
    assert sequence.digest == hashlib.sha256(SOUND.read_bytes()).hexdigest()
    assert sequence.source == SOUND.read_bytes()


def test_two_loads_give_the_same_sequence() -> None:
    assert load_sequence(SOUND) == load_sequence(SOUND)


def test_roles_and_time_of_the_whole() -> None:
    sequence = load_sequence(SOUND)
    assert sequence.roles() == ("continuity_tester", "switching_unit", "resistance_meter", "withstand_tester",
                                "residual_meter", "power_source", "current_meter")
    assert sequence.seconds() == pytest.approx(sum(step.seconds() for step in sequence.steps))


def test_every_value_has_its_place() -> None:
    sequence = load_sequence(SOUND)
    lines = SOUND.read_text(encoding="utf-8").splitlines()
    place = sequence.items[3].place_of("trip")
    assert lines[place.line - 1][place.column - 1:] == "5 mA"


@pytest.mark.parametrize(("serial", "fits"), [("DHT-0001", True), ("DHT-001", False), ("DHT-00001", False),
                                              ("dht-0001", False), ("DHT-0001\n", False), (" DHT-0001", False),
                                              ("DHT-\u0660\u0661\u0662\u0663", False), ("", False)])
def test_serials(serial: str, fits: bool) -> None:
    assert load_sequence(SOUND).unit.fits(serial) is fits


def test_a_serial_of_any_length_is_answered_at_once() -> None:
    assert not load_sequence(SOUND).unit.fits("D" * 10_000_000)


def test_a_serial_is_never_longer_than_a_label_holds() -> None:
    unit = replace(load_sequence(SOUND).unit, serial_pattern=read_pattern("[A-Z]{20}[A-Z]{20,40}"))
    assert (unit.fits("A" * LONGEST_SERIAL), unit.fits("A" * (LONGEST_SERIAL + 1))) == (True, False)


@pytest.mark.parametrize("pattern", ["DH6-[0-9]{8}", "[A-Z]{2,3}[0-9]{4,6}", "A", "[A-Za-z0-9_]{1,40}", r"A\.B", "AB C"])
def test_patterns_that_may_be_used(pattern: str) -> None:
    assert read_pattern(pattern) == pattern


@given(st.text(max_size=30))
def test_whatever_is_taken_as_a_pattern_compiles_and_means_no_more_than_it_says(text: str) -> None:
    try:
        pattern = read_pattern(text)
    except ValueError as error:
        assert str(error)
        return
    assert re.compile(pattern, re.ASCII).groups == 0
    assert not re.search(r"(?<!\\)[*+?|().^$]", pattern)


@given(st.lists(st.sampled_from(["A", "[A-Z]", "[A-Z]{1,40}", "[A-Z]{0,40}", "[0-9]{8}"]), min_size=1, max_size=8))
def test_no_pattern_that_is_taken_is_slow(parts: list[str]) -> None:
    try:
        pattern = read_pattern("".join(parts))
    except ValueError:
        return
    begun = time.thread_time()
    re.fullmatch(pattern, "A" * 39 + "!", re.ASCII)
    assert time.thread_time() - begun < 0.25


@given(st.binary(max_size=200))
def test_any_bytes_give_a_sequence_or_mistakes_and_nothing_else(tmp_path_factory: pytest.TempPathFactory, source: bytes) -> None:
    path = tmp_path_factory.mktemp("any") / "any.yaml"
    path.write_bytes(source)
    with pytest.raises(FileMistakes):
        load_sequence(path)


@given(st.data())
def test_a_file_cut_or_scrambled_anywhere_never_crashes_the_loader(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    source = bytearray(SOUND.read_bytes())
    at = data.draw(st.integers(0, len(source) - 1))
    source[at:at + data.draw(st.integers(0, 60))] = data.draw(st.binary(max_size=8))
    path = tmp_path_factory.mktemp("cut") / "cut.yaml"
    path.write_bytes(bytes(source))
    try:
        assert load_sequence(path).steps
    except FileMistakes as error:
        assert all(each.what and each.place.line >= 1 and each.place.column >= 1 for each in error.mistakes)
