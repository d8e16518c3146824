"""How the numbers of reference meters reach a verification: typed by a person, or told by the simulated station."""

from __future__ import annotations

from typing import TYPE_CHECKING

from eolseq.errors import Refused

if TYPE_CHECKING:
    from eolseq.commands.wiring import Order
    from eolseq.station.file import Station
    from eolseq.verification.references import References


def references_of(station: Station, order: Order | None) -> References:
    """A person's numbers at a real station; at a simulated one those of its simulator, which must have each meter."""
    from eolseq.verification.references import FromSimulator, Typed

    if order is None:
        return Typed()
    from pathlib import Path

    from eolseq.shipped import find
    from eolseq.simulation.file import load_simulator

    path = find(Path(station.simulated), shipped=True)
    known = load_simulator(path).references
    missing = [each.name for each in station.reference_meters if each.name not in known]
    if missing:
        raise Refused(f"The simulator {path} has no reference meter named {', '.join(missing)}.",
                      "Correct 'reference_meters' in the station file or in the simulator file.")
    told = order

    def read(name: str) -> float | None:
        shown = told({"read": name})
        return None if shown is None else float(shown)

    return FromSimulator(read)
