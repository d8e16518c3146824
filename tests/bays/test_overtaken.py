"""A result of an earlier check that another bay takes in while a unit is on the way to its test. Invented plant."""

from __future__ import annotations

import dataclasses
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands.earlier import EarlierGate
from eolseq.engine.run import UnitRun
from eolseq.line.earlier_checks import Told, judged
from eolseq.line.unit_state import state_of
from eolseq.quantity import parse
from eolseq.sequence.needs import Need
from eolseq.station.earlier_fields import NO_EARLIER
from tests.bays_rig import BaysRig
from tests.rig import SEQUENCE

UNIT = "DH6-00000001"
NEED = Need("wiring-inspection", parse("24 h"), None, "line 2")


def enter(rig: BaysRig, result: Any, serial: str = UNIT, check: str = NEED.check) -> None:
    told = Told(serial, check, result, rig.clock.now() - timedelta(minutes=1), None)
    rig.log.append(judged(told, None, by="op-07", source="entered by hand"))


@pytest.mark.parametrize(("serial", "check", "outcome"), [
    (UNIT, NEED.check, Outcome.REFUSED), (UNIT, "paint", Outcome.PASS), ("DH6-00000002", NEED.check, Outcome.PASS)])
def test_a_fail_that_comes_between_gate_and_begin_stops_the_test(quick_path: Path, serial: str, check: str,
                                                                outcome: Outcome) -> None:
    with BaysRig(quick_path) as rig:
        sequence = dataclasses.replace(SEQUENCE, needs=(NEED,))
        gate = EarlierGate(sequence, NO_EARLIER, rig.log, rig.clock)
        enter(rig, "pass")

        def neighbour(_: Any) -> str:  # while the operator of this bay reads the cautions
            enter(rig, "fail", serial, check)
            return "op-07"

        def run(acknowledge: Any) -> Any:
            rig.load("bay-1", UNIT)
            rig.bays["bay-1"].watcher.seen_open = False
            return UnitRun(rig.clock, sequence, rig.bays["bay-1"], rig.log, lambda _: None, acknowledge, [gate]).run(UNIT)

        first = run(neighbour)
        assert first.outcome is outcome
        if outcome is Outcome.PASS:
            return
        assert "wiring-inspection" in first.sentence and "Scan it again" in first.sentence and not rig.log.open_runs()
        assert state_of(rig.log, UNIT).attempts == 0 and not rig.hall.bays["bay-1"].reached_by
        again = run(lambda _: "op-07")
        assert again.outcome is Outcome.REFUSED and "failed" in again.sentence
        rig.clock.sleep(120.0)
        enter(rig, "pass")
        assert run(lambda _: "op-07").outcome is Outcome.PASS
