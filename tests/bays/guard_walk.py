"""The guard of one bay opened at an instant of a run at two bays; what came of it, by the simulator's own view."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path

from eolseq.bands.band import Outcome
from eolseq.records.entries import Unlock
from tests.bays_rig import SCAN, BaysRig
from tests.rig import SHORT

ALLOWED = SCAN + 0.005  # seconds
OPENED, NEIGHBOUR = "bay-1", "bay-2"


@dataclass(frozen=True)
class Came:
    """What came of a guard that was opened: outcomes, seconds that anything still reached the bay, and a lock."""

    opened: Outcome
    neighbour: Outcome
    stayed: float
    was_on: bool
    neighbour_on: bool
    locked: str


def open_rig(folder: Path, hard_wired: bool) -> BaysRig:
    """Two bays whose contactors fall with the contacts by hard wire, or not."""
    rig = BaysRig(folder, 2, sequence=SHORT).open()
    for bay in rig.hall.bays.values():
        bay.guard.settings = dataclasses.replace(bay.guard.settings, hard_wired=hard_wired)
    return rig


UNITS = {OPENED: ["DH6-00000001"], NEIGHBOUR: ["DH6-00000002"]}


def instants(rig: BaysRig) -> int:
    """How many instants there are in a sound run of one unit at each bay, after a first one."""
    rig.run(UNITS)
    before = rig.clock.instants
    assert [each.outcome for _, _, each in rig.run(UNITS)] == [Outcome.PASS] * 2
    return rig.clock.instants - before


def open_at(rig: BaysRig, instant: int) -> Came:
    """Run the next two units and open the guard of the first bay at an instant."""
    rig.hall.changes.clear()
    world = rig.hall.bays[OPENED]
    opened: list[float] = []
    start = rig.clock.instants
    seen = {"was": False, "neighbour": False}

    def probe(now: int) -> None:
        if now - start == instant:
            opened.append(rig.clock.monotonic())
            rig.hall.advance_to(opened[0])
            seen.update(was=bool(world.reached_by), neighbour=bool(rig.hall.bays[NEIGHBOUR].reached_by))
            world.guard.closes_by_itself = False
            world.open_guard()

    rig.clock.probe = probe
    results = {bay: each for bay, _, each in rig.run(UNITS)}
    rig.clock.probe = None
    world.guard.closes_by_itself = True
    assert opened, f"instant {instant} was not reached"
    ends = [c["time"] for c in rig.hall.changes if c.get("bay") == OPENED and c.get("reaches") == "off"]
    assert not world.reached_by and world.voltage_at_unit() < 25.0
    return Came(results[OPENED].outcome, results[NEIGHBOUR].outcome, max([*ends, opened[0]]) - opened[0],
                seen["was"], seen["neighbour"], unlock(rig))


def unlock(rig: BaysRig) -> str:
    """Why the station was locked, if it was; it is put right as at the next start."""
    lock = rig.log.locked()
    if lock is None:
        return ""
    for bay in rig.opened.bays:
        bay.watcher.reset()
    rig.opened.all_off()
    rig.log.append(Unlock(by="test", reason="as at the next start"))
    return lock.reason


def walk(folder: Path, hard_wired: bool, step: int, first: int = 1) -> tuple[int, list[Came]]:
    """How many instants a run has, and what came of a guard opened at every so many of them, each held to the rules."""
    rig = open_rig(folder, hard_wired)
    try:
        whole = instants(rig)
        found = []
        for instant in range(first, whole + 1, step):
            came = open_at(rig, instant)
            assert came.stayed <= ALLOWED, f"instant {instant}: {OPENED} was reached for {came.stayed * 1000:.1f} ms"
            if came.locked:  # the contactor fell between the meter's look and the source's: doubt means locked
                assert hard_wired and "cannot prove the unit dead" in came.locked, f"instant {instant}: {came}"
            else:
                assert came.neighbour is Outcome.PASS, f"instant {instant}: {came}"
            found.append(came)
        return whole, found
    finally:
        rig.close()


def main() -> None:
    """Walk every instant, with the contactors hard-wired and without: some minutes."""
    import tempfile
    from collections import Counter

    for hard_wired in (False, True):
        with tempfile.TemporaryDirectory() as folder:
            whole, found = walk(Path(folder), hard_wired, 1)
        print(f"{'hard-wired' if hard_wired else 'program alone'}: {whole} instants, "
              f"{dict(Counter(str(each.opened) for each in found))}, locked {sum(bool(e.locked) for e in found)}, "
              f"longest {max(each.stayed for each in found) * 1000:.1f} ms, while on {sum(e.was_on for e in found)}, "
              f"while the neighbour was on {sum(each.neighbour_on for each in found)}")


if __name__ == "__main__":
    main()
