"""The station of a soak: the line bench with a pressure gauge and a folder of earlier checks, so that DHC-6 comes too.

Invented demo data.
"""

from __future__ import annotations

import dataclasses
import json
import os
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from eolseq.instruments.page import load_page
from eolseq.sequence.load import load_sequence
from eolseq.station.earlier_fields import EarlierRules, Equipment
from eolseq.station.file import Station, load_station
from tests import shift_rig

COIL = load_sequence(shift_rig.ROOT / "sequences/duct-heater-coil-6kw.yaml")
SEQUENCES = (*shift_rig.SEQUENCES, COIL)
_GAUGE = next(each for each in load_station(shift_rig.ROOT / "simulators/demo-station.yaml").instruments
              if each.name == "gauge")
STATION = dataclasses.replace(
    shift_rig.STATION, instruments=(*shift_rig.STATION.instruments, _GAUGE),
    fixtures=tuple(dataclasses.replace(each, fits=(*each.fits, "DHC-6")) for each in shift_rig.STATION.fixtures))
PAGES = {**shift_rig.PAGES, _GAUGE.name: load_page(shift_rig.ROOT / _GAUGE.page)}

VALUES = {"wiring-inspection": None, "tracer-gas-leak": "0.0012 mbar", "pressure-hold": "30.1 bar"}
"""What a coil's earlier checks come to when all is well."""


def of_folder(folder: Path, scan: float) -> Station:
    """The station with everything that it writes in a folder; ``scan``: seconds between two looks at the guard."""
    assert STATION.labels is not None
    arriving = folder / "arriving"
    arriving.mkdir(exist_ok=True)
    equipment = Equipment("checks before the line", "*.jsonl", "", "comma", "", {
        "serial": "serial", "check": "check", "result": "result", "made": "at", "value": "value"}, ("pass",), ("fail",))
    return dataclasses.replace(
        STATION, records=str(folder / "records"), key=str(folder / "keys/station.pem"),
        labels=dataclasses.replace(STATION.labels, folder=str(folder / "labels")),
        guard=dataclasses.replace(STATION.guard, scan=scan), earlier=EarlierRules({}, str(arriving), (equipment,)))


def hand_in(station: Station, serial: str, how: str, now: datetime, number: int) -> None:
    """The results of the checks of a unit arrive, as other equipment leaves them: ``made``, or one of them not so."""
    rows: list[dict[str, Any]] = [{
        "serial": serial, "check": check, "result": "pass", "at": (now - timedelta(minutes=1)).isoformat(),
        "value": value} for check, value in VALUES.items()]
    leak = rows[1]
    if how == "missing":
        rows.remove(leak)
    elif how == "failed":
        leak["result"] = "fail"
    elif how == "outside":
        leak["value"] = "0.0031 mbar"
    elif how == "old":
        leak["at"] = (now - timedelta(hours=25)).isoformat()
    path = Path(station.earlier.folder) / f"{number:06d}-{serial}.jsonl"
    path.write_text("".join(json.dumps({name: each for name, each in row.items() if each is not None}) + "\n"
                            for row in rows), "utf-8")
    at_rest = now.timestamp() - 3600.0  # so that a clock that goes back a little finds it at rest
    os.utime(path, (at_rest, at_rest))
