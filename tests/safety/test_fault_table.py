"""Every fault in every kind of step over either line, from the start and after energise, against the table.

All units, instruments and numbers are invented demo data; times are virtual.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from eolseq.simulation.instrument import FAULTS
from eolseq.simulation.roles.base import OF_ANY, OF_METERS
from eolseq.simulation.roles.sources import SourceInstrument
from tests import rig as rigs
from tests.rig import Rig
from tests.safety.fault_runs import BEFORE, LINKS, MOMENTS, ON, PLACES, Place, Seen, bench, other_bench, run_with
from tests.safety.fault_table import (
    FAIL,
    FALSE_READINGS,
    FAULT,
    LOCKED,
    OF_SOURCES,
    OF_THE_BAY,
    PASS,
    SHUT,
    TABLE,
    WRONG_SCALES,
)

CASES = [(fault, place, link, moment) for fault in TABLE for place in PLACES for link in LINKS for moment in MOMENTS
         if fault not in OF_SOURCES or place.instrument == place.source]
SCALES = [(place, link, *change) for place in PLACES for link in LINKS for change in WRONG_SCALES[str(place)]]
OTHERS = (PLACES[1], PLACES[6])  # the awkward meter on its serial line, and the power meter with registers on its
OTHER_CASES = [(fault, place, moment) for fault in TABLE for place in OTHERS for moment in MOMENTS
               if fault not in (*OF_SOURCES, *OF_THE_BAY) and (fault, place) != ("error-in-queue", OTHERS[1])]
SOUND: dict[Place, Seen] = {}


def test_the_number_of_combinations() -> None:
    """18 faults in 8 places and 2 more in the 4 of them that are sources, over 2 links, at 2 moments."""
    assert len(CASES) == (18 * 8 + 2 * 4) * 2 * 2 == 608
    assert len(SCALES) == 22 * 2 == 44
    assert len(OTHER_CASES) == 14 * 2 * 2 - 2 == 54  # registers have no error queue


def test_the_table_has_every_fault_and_every_place() -> None:
    known = {**FAULTS, **OF_ANY, **OF_METERS, **SourceInstrument.has_faults, **rigs.SIMULATOR.faults}
    assert set(TABLE) == set(known)
    for row in TABLE.values():
        assert set(row.start) == set(row.on) == {str(each) for each in PLACES} == set(WRONG_SCALES)
        assert bool(row.found) == (PASS in {*row.start.values(), *row.on.values()}), "what may pass is found otherwise"


def sound(place: Place, folder: Path) -> Seen:
    """The same run with no fault in it, run once for each place."""
    if place not in SOUND:
        (folder / "sound").mkdir()
        SOUND[place] = run_with(place, lambda rig: None, ON, folder / "sound")
    return SOUND[place]


@pytest.mark.parametrize("moment", MOMENTS)
@pytest.mark.parametrize("link", LINKS)
@pytest.mark.parametrize("place", PLACES, ids=str)
def test_without_a_fault_it_passes(place: Place, link: str, moment: str, quick_path: Path,
                                   monkeypatch: pytest.MonkeyPatch) -> None:
    bench(monkeypatch, place, link, quick_path)
    seen = run_with(place, lambda rig: None, moment, quick_path)
    assert seen.outcome == PASS and seen.at is not None and not seen.left_on, seen.sentence
    assert len(seen.readings()) >= 1 and not seen.findings
    assert {name: value for name, (value, _) in seen.readings().items()} == \
        pytest.approx({name: value for name, (value, _) in sound(place, quick_path).readings().items()}, rel=0.02)


@pytest.mark.parametrize(("fault", "place", "link", "moment"), CASES, ids=lambda each: str(each))
def test_what_must_come_of_a_fault(fault: str, place: Place, link: str, moment: str, quick_path: Path,
                                   monkeypatch: pytest.MonkeyPatch) -> None:
    bench(monkeypatch, place, link, quick_path)
    instrument = None if fault in OF_THE_BAY else place.instrument
    seen = run_with(place, lambda rig: rig.world.set_fault(fault, instrument), moment, quick_path)
    assert seen.at is not None, "the moment did not come"
    assert seen.was_on == (moment == ON and bool(place.source))
    row = TABLE[fault]
    assert seen.outcome == (row.start if moment == BEFORE else row.on)[str(place)], seen.sentence
    assert seen.sentence, "a sentence says what is wrong"
    assert not seen.left_on or seen.outcome == LOCKED, "voltage was left on the unit, and nobody is kept away"
    assert not seen.energised or seen.outcome != SHUT
    hold_readings(seen, place, fault, quick_path)


def hold_readings(seen: Seen, place: Place, fault: str, folder: Path) -> None:
    """Nothing on record that the instruments did not say, and nothing else than in a run without the fault."""
    assert not seen.findings
    said = {text for answers in seen.answers.values() for text in answers}
    without = sound(place, folder).readings()
    for name, (value, raw) in seen.readings().items():
        assert raw in said, f"{name}: {raw!r} is on record, and no instrument ever said so"
        if fault in FALSE_READINGS:
            continue
        if name.startswith("residual"):  # it goes on falling while one waits
            assert value <= without[name][0] * 1.02 + 0.5
        else:
            assert value == pytest.approx(without[name][0], rel=0.02), f"{name} is another than without the fault"


@pytest.mark.parametrize(("fault", "place", "moment"), OTHER_CASES, ids=str)
def test_the_same_must_come_of_instruments_of_other_manners(fault: str, place: Place, moment: str, quick_path: Path,
                                                            monkeypatch: pytest.MonkeyPatch) -> None:
    without = sound(place, quick_path).readings()
    other_bench(monkeypatch, place, quick_path)
    seen = run_with(place, lambda rig: rig.world.set_fault(fault, place.instrument), moment, quick_path)
    assert seen.at is not None, "the moment did not come"
    assert seen.outcome == (TABLE[fault].start if moment == BEFORE else TABLE[fault].on)[str(place)], seen.sentence
    assert not seen.left_on and not seen.findings
    for name, (value, _) in seen.readings().items():
        if fault not in FALSE_READINGS and not name.startswith("residual"):
            assert value == pytest.approx(without[name][0], rel=0.02), f"{name} is another than without the fault"


@pytest.mark.parametrize(("place", "link", "says", "instead"), SCALES, ids=lambda each: str(each))
def test_a_page_with_a_wrong_scale_never_passes(place: Place, link: str, says: str, instead: str, quick_path: Path,
                                                monkeypatch: pytest.MonkeyPatch) -> None:
    """Such a page is in order by its grammar; bands and the values that must be applied are what finds it."""
    def changed(text: str) -> str:
        assert text.count(says) == 1
        return text.replace(says, instead)

    bench(monkeypatch, place, link, quick_path, changed)
    seen = run_with(place, lambda rig: None, BEFORE, quick_path)
    assert seen.outcome in (FAIL, FAULT, LOCKED), seen.sentence
    assert not seen.left_on and not seen.findings


@pytest.mark.parametrize("place", range(1, 40))
def test_an_answer_split_at_any_byte_is_read_whole(place: int, quick_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The longest answer of a step, its identity and status included, cut after each of its bytes in turn."""
    withstand = PLACES[2]
    bench(monkeypatch, withstand, "serial" if place % 2 else "tcp", quick_path)
    seen = run_with(withstand, lambda rig: rig.world.set_fault("split-at", "withstand", place), BEFORE, quick_path)
    assert seen.outcome == PASS, seen.sentence
    hold_readings(seen, withstand, "split-at", quick_path)


@pytest.mark.parametrize("place", range(30))
def test_an_answer_that_ends_after_any_byte_is_no_reading(place: int, quick_path: Path,
                                                          monkeypatch: pytest.MonkeyPatch) -> None:
    def put_in(rig: Rig) -> None:
        rig.world.set_fault("truncated", "current", place)

    meter = PLACES[4]
    bench(monkeypatch, meter, "serial" if place % 2 else "tcp", quick_path)
    seen = run_with(meter, put_in, ON, quick_path)
    assert seen.outcome == FAULT, seen.sentence
    hold_readings(seen, meter, "truncated", quick_path)
