"""A whole shift at the simulated line bench, reviewed from the log that the station itself wrote."""

from __future__ import annotations

from pathlib import Path

from eolseq.commands.review import review_of, shift_window
from eolseq.records.reader import Records
from tests.shift_rig import ShiftRig

SOUND, BOND, WIRE, SMALL = "DH6-00000001", "DH6-00000002", "DH6-00000003", "DH3-00000001"


def test_a_shift_with_two_defects(tmp_path: Path) -> None:
    with ShiftRig(tmp_path, defects={BOND: "poor-bond", WIRE: "pinched-wire"}) as rig:
        rig.run([SOUND, WIRE, BOND, SMALL])
        assert [outcome for _, outcome in rig.outcomes()] == ["pass", "fail", "fail", "pass"]
    records = Records.open(tmp_path / "records")
    found = review_of(records, shift_window(records), 90.0)
    assert found.log.simulated and found.log.size == records.size
    assert (found.first_pass.number, found.first_pass.of) == (2, 4)
    assert [(name, each.number, each.of) for name, each in found.by_model] == [
        ("DH-3", 1, 1), ("DH-6", 1, 3)]
    assert {(each.step, each.number) for each in found.failures} == {
        ("Withstand, line and neutral to earth", 1), ("Earth path to every metal part", 1)}
    (tester,) = found.silences  # of the meter at its side, which reads in the same step, nothing is said
    assert (tester.tester, tester.rejects, tester.before, tester.units) == ("WT-5 SIM-0001", 1, 2, 1)
    assert found.pace.cycle.number == 4 and found.pace.between.number == 3
    assert found.pace.in_takt == 3
    assert not found.stops and not found.left_out
