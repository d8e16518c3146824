"""What a shift keeps of the units that it has tested: nothing that grows. The bounds are this project's own, no source."""

from __future__ import annotations

import gc
import sys
from pathlib import Path

from eolseq.line.shift_events import UnitOver
from tests.bays_rig import BaysRig
from tests.shift_rig import ShiftRig

EVERY = 30   # units between two looks
MOST = 20.0  # pieces of memory a unit; one object kept of each of its readings would be more


class Looks:
    """Counts the pieces of memory that Python has given out, after every so many units."""

    def __init__(self) -> None:
        self.units = 0
        self.pieces: list[int] = []

    def unit(self) -> None:
        """One more unit is over."""
        self.units += 1
        if self.units % EVERY == 0:
            gc.collect()
            self.pieces.append(sys.getallocatedblocks())

    @property
    def a_unit(self) -> float:
        """What the last stretch left behind of each unit; the first filled caches."""
        return (self.pieces[-1] - self.pieces[0]) / (EVERY * (len(self.pieces) - 1))


def test_the_looks_see_one_list_of_thirty_texts_a_unit() -> None:
    looks, kept = Looks(), []
    for number in range(2 * EVERY):
        kept.append([f"{number} {each}" for each in range(30)])
        looks.unit()
    assert looks.a_unit > MOST


def test_an_open_shift_keeps_nothing_of_a_unit_that_is_over(quick_path: Path) -> None:
    looks = Looks()
    with ShiftRig(quick_path) as rig:
        def also(event: object) -> None:
            del rig.told[:-3]
            rig.world.changes.clear()
            if isinstance(event, UnitOver):
                looks.unit()

        rig.also = also
        rig.longest = 1e6
        rig.run([rig.plate_of(f"DH6-{number:08d}") for number in range(1, 2 * EVERY + 1)])
    print(f"{looks.a_unit:.1f} pieces a unit")
    assert looks.units == 2 * EVERY
    assert looks.a_unit < MOST


def test_four_bays_keep_nothing_of_a_unit_that_is_over(quick_path: Path) -> None:
    pieces: list[int] = []
    with BaysRig(quick_path, 4) as rig:
        for part in range(6):  # after the fourth every reply that four bays' relays can give is known
            rig.run({bay: [f"DH6-{part:02d}{at}{number:05d}" for number in range(8)]
                     for at, bay in enumerate(rig.station.bays)}, 1e6)
            for each in (rig.results, rig.events, rig.hall.changes, *(bay.changes for bay in rig.hall.bays.values())):
                each.clear()
            gc.collect()
            pieces.append(sys.getallocatedblocks())
    a_unit = (pieces[-1] - pieces[-2]) / 32
    print(f"{a_unit:.1f} pieces a unit")
    assert a_unit < MOST
