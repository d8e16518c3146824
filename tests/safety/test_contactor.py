"""A contactor that drops by itself is a fault of the station, never a bad unit: what is measured then says nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from eolseq.bands.band import Outcome
from tests.rig import Rig


@pytest.mark.parametrize("source", ["continuity", "withstand", "power"])
def test_contactor_that_drops_is_a_fault(quick_path: Path, source: str) -> None:
    with Rig(quick_path) as rig:
        dropped: list[float] = []

        def drop(_: int) -> None:
            since = [c["time"] for c in rig.world.changes if c.get("name") == source and c.get("output") == "on"]
            if since and not dropped and rig.clock.monotonic() - since[-1] > 0.3:
                dropped.append(rig.clock.monotonic())
                rig.world.advance_to(rig.clock.monotonic())
                rig.world.guard.set_permit(False)

        rig.clock.probe = drop
        result = rig.run()
        rig.clock.probe = None
        assert dropped
        assert result.outcome is Outcome.FAULT
        assert "The contactor dropped although the guard is closed." in result.sentence
        assert not any(rig.world.output_on(name) for name in ("continuity", "withstand", "power"))
