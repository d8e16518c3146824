"""A short soak, the same at every run; ``python -m tests.soak`` is the long one, with a seed of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.soak.bays import Hall
from tests.soak.course import Soak
from tests.soak.telling import told
from tests.soak.watch import Memory, Watch

UNITS = 60

@pytest.mark.parametrize("seed", [16])
def test_every_unit_has_the_records_that_it_should_have_and_no_label_is_without_a_pass(seed: int,
                                                                                        quick_path: Path) -> None:
    soak = Soak(quick_path, seed, UNITS)
    figures = soak.run()
    print("\n".join(told(soak)))
    books = soak.books
    assert books.surprises == []
    assert figures.findings == []
    assert figures.units == UNITS
    assert books.settled == books.scans >= UNITS
    assert figures.ends["killed"] >= 2
    assert books.debris >= 1
    assert books.outcomes["pass"] > UNITS // 2
    assert books.outcomes["fail"] >= 3
    assert books.outcomes["abandoned"] >= 1
    assert len(figures.watch.descriptors) > 2
    assert books.models["DHC6"] >= 1 and books.wanting.total() >= 1
    assert figures.leaks == []


def test_what_a_process_leaves_behind_is_a_leak() -> None:
    assert Watch(descriptors=[6, 6, 6]).leaks == []
    assert Watch(descriptors=[6, 6, 7]).leaks == ["descriptors between lives: 6 to 7"]
    assert len(Watch(descriptors=[6, 7], left_over=1).leaks) == 2
    grows = [Memory(scans, 500_000 + 26 * scans, 80_000 + 2 * scans) for scans in range(0, 5000, 50)]
    assert [each.split(" ")[1] for each in Watch(memory=grows).leaks] == ["pieces", "memory"]
    flat = [Memory(scans, 500_000 + 4 * scans, 80_000 + scans % 1024) for scans in range(0, 5000, 50)]
    assert Watch(memory=flat).leaks == []


class Kept:
    """A process of the program that something holds."""


def test_what_stays_behind_of_a_life_is_seen() -> None:
    watch, process = Watch(), Kept()
    watch.ended(process)
    watch.look(1)
    assert watch.leaks == ["1 processes of the program are still held"]
    assert watch.memory[0].blocks > 10_000 and watch.memory[0].resident > 1_000


def test_units_side_by_side_at_two_bays_have_the_records_that_they_should_have(quick_path: Path) -> None:
    hall = Hall(quick_path, 2, 2, 24)
    books = hall.run()
    print("\n".join(hall.told()))
    assert books.surprises == []
    assert books.settled == books.scans >= len(books.units) == 24
    assert hall.ends["killed"] >= 1 and books.outcomes["fault"] >= 1
    assert hall.watch.leaks == []
    assert books.outcomes["pass"] > 12
    assert books.outcomes["fail"] >= 2
