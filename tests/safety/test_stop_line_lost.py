"""A stop line that does not take OFF is told in the run's sentence and in the record, once; dead is shown without it."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

from eolseq.bands.band import Outcome
from eolseq.errors import InstrumentFault
from eolseq.records.reader import Records
from tests.rig import Rig

LOST = ("OFF could not be sent on the stop line of withstand: call maintenance to check its line, "
        "and whether it takes a second connection (second_connection in its page).")


def test_a_stop_line_that_fails_is_told_and_recorded(quick_path: Path) -> None:
    with Rig(quick_path) as rig:
        watcher = rig.opened.watcher

        def refuse(_: float) -> None:
            raise InstrumentFault("The line takes nothing.", "Check it.")

        watcher._lines = tuple(dataclasses.replace(each, off=refuse) if each.name == "withstand" else each
                               for each in watcher._lines)

        def probe(_: int) -> None:
            if any(c.get("output") == "on" and c["name"] == "withstand" for c in rig.world.changes):
                rig.clock.probe = None
                rig.world.advance_to(rig.clock.monotonic())
                rig.world.open_guard()

        rig.clock.probe = probe
        result = rig.run()
        assert result.outcome is Outcome.STOPPED
        assert result.sentence.endswith(LOST)
        assert not rig.opened.door.voltage_possible
        outputs = {c["name"]: c["output"] for c in rig.world.changes if "output" in c}
        assert set(outputs.values()) == {"off"}
        assert watcher.take_stop_failures() == (), "told once"
        assert result.index is not None
        entry = Records.open(Path(rig.station.records)).entry(result.index)
    assert json.dumps(entry.payload["sentence"]).count("stop line of withstand") == 1
