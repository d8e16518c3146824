"""A short soak, the same at every run; ``python -m tests.soak`` is the long one, with a seed of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.soak.bays import Hall
from tests.soak.course import Figures, Soak
from tests.soak.telling import told

UNITS = 60

@pytest.mark.parametrize("seed", [9])
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
    assert len(figures.descriptors) > 2
    assert figures.leaks == []


def test_what_a_process_leaves_behind_is_a_leak() -> None:
    assert Figures(1, descriptors=[6, 6, 6]).leaks == []
    assert Figures(1, descriptors=[6, 6, 7]).leaks == ["descriptors between lives: 6 to 7"]
    assert len(Figures(1, descriptors=[6, 7], left_over=1).leaks) == 2


def test_units_side_by_side_at_two_bays_have_the_records_that_they_should_have(quick_path: Path) -> None:
    hall = Hall(quick_path, 5, 2, 24)
    books = hall.run()
    print("\n".join(hall.told()))
    assert books.surprises == []
    assert books.settled == books.scans >= len(books.units) == 24
    assert hall.ends["killed"] >= 1
    assert books.outcomes["pass"] > 12
    assert books.outcomes["fail"] >= 2
