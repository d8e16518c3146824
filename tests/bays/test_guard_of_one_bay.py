"""The guard of one of two bays opened all through a run at both, in virtual time.

After it opens nothing may reach that bay for longer than one scan and 5 ms, and the neighbour must go on and pass. A
run of two units, each with two bonded parts, has some 1,800 instants; here every seventeenth is taken, ``python -m tests.bays.guard_walk`` takes
every one of them.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from eolseq.bands.band import Outcome
from tests.bays.guard_walk import walk

STEP = 17


@pytest.mark.parametrize(("hard_wired", "first"), [(False, 1), (True, 9)], ids=["program alone", "hard-wired too"])
def test_guard_opened_all_through_a_run_at_two_bays(quick_path: Path, hard_wired: bool, first: int) -> None:
    whole, found = walk(quick_path, hard_wired, STEP, first)
    assert 1200 <= whole <= 2200, "the runs' shape changed: look at the number of cases again"
    assert len(found) == (whole - first) // STEP + 1
    outcomes = [each.opened for each in found]
    assert outcomes.count(Outcome.STOPPED) > len(found) * 0.7
    assert set(outcomes) <= {Outcome.STOPPED, Outcome.PASS, Outcome.REFUSED, Outcome.FAULT}
    assert outcomes.count(Outcome.FAULT) == sum(bool(each.locked) for each in found) <= 2
    assert sum(each.was_on for each in found) > len(found) * 0.3
    assert sum(each.neighbour_on and each.opened is Outcome.STOPPED for each in found) > len(found) * 0.1
