"""``eolseq void``: a unit's pass counts no more, such as after its covers were opened."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from eolseq.commands import carrying, signing
from eolseq.errors import InUse, Refused

if TYPE_CHECKING:
    from eolseq.records.log import Log

NAME = "void"
HELP = """say that a unit's pass counts no more

Whoever opens the covers of a unit that passed, drops it, or finds that it was tested wrongly says so. The unit is then
not passed until a new full run."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the unit, the station, why and who."""
    parser.add_argument("serial", metavar="SERIAL", help="the unit")
    parser.add_argument("--station", metavar="S", type=Path, required=True, help="the station file")
    parser.add_argument("--reason", metavar="TEXT", help="why, such as: covers opened; stands in the record for ever")
    parser.add_argument("--by", metavar="ID", help="who says so, such as op-07")


def run(options: argparse.Namespace) -> int:
    """Void the pass; 0, or 3 when there is none."""
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    reason = carrying.one_line(options.reason, "--reason", "The reason")
    by = carrying.named(options.by)
    station = load_station(find(options.station, shipped=True))
    try:
        with signing.open_log(station) as log:
            said = void_pass(log, options.serial, reason, by)
    except InUse:
        from eolseq.commands.waiting import hand_in

        said = hand_in(station, "void", {"serial": options.serial, "reason": reason, "by": by})
    print(signing.visible(said))
    return 0


def void_pass(log: Log, serial: str, reason: str, by: str) -> str:
    """Void the pass or release of a unit in an open log; what was done. Refused when there is none."""
    from eolseq.line.unit_state import Standing, state_of
    from eolseq.records.line_entries import Void

    state = state_of(log, serial)
    run = state.last
    late = state.standing is Standing.LATE_FAIL  # a new result of that check would give the pass back
    if run is None or run.closed_by is None or (state.passed is None and state.released is None and not late):
        raise Refused(f"There is no pass to void. {state.sentence}", "Check the serial: eolseq records SERIAL.")
    end = state.passed.closed_by if state.passed is not None else run.closed_by
    index = log.append(Void(serial=serial, run=run.closed_by if end is None else end, reason=reason, by=by))
    log.checkpoint()
    mark = " (SIMULATED)" if log.simulated else ""
    return (f"entry {index}: what unit {serial} had passed is void{mark}. It is not passed until a new full run. "
            "Take its label off.")
