"""Which challenge of a station counts for a sequence, and what its log tells about the bay since that challenge."""

from __future__ import annotations

from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from eolseq.verification.standing import Covering, Past, Present, Since

if TYPE_CHECKING:
    from collections.abc import Mapping

    from eolseq.records.log import Log
    from eolseq.records.reader import Records
    from eolseq.sequence.model import Sequence
    from eolseq.station.checks import Challenges
    from eolseq.station.file import Station
    from eolseq.station.open import OpenStation
    from eolseq.verification.fixtures import Told


class Listed(NamedTuple):
    """A challenge of the station file, with the name and the models of its sequence."""

    challenge: Challenges
    name: str
    models: tuple[str, ...]


def listed_challenges(station: Station) -> list[Listed]:
    """Every challenge that the station file lists, the first one first."""
    from eolseq.shipped import find

    found = []
    for each in station.challenges.every if station.challenges is not None else ():
        path = find(Path(each.sequence), shipped=bool(station.simulated))
        found.append(Listed(each, *_head(str(path), path.stat().st_mtime_ns if path.is_file() else 0)))
    return found


@lru_cache(32)
def _head(path: str, _: int) -> tuple[str, tuple[str, ...]]:
    """Name and models of a sequence file, read anew when the file was written anew."""
    from eolseq.sequence.load import load_sequence

    sequence = load_sequence(Path(path))
    return sequence.name, sequence.unit.models


def covering_of(station: Station, sequence: Sequence) -> Covering:
    """The challenge that counts for a sequence: its own where the station lists one, else any of the station's.

    A station that lists one challenge alone, and names no fixtures, needs no look into other files.
    """
    challenges = station.challenges
    if challenges is None or not (challenges.also or station.fixtures):
        return Covering()
    listed = listed_challenges(station)
    mine = next((each for each in listed if each.name == sequence.name), None)
    fit = [each for each in listed if _shares_fixture(station, each.models, sequence.unit.models)]
    names = tuple(each.name for each in listed)
    if len(listed) == 1:
        return Covering("", names, here=bool(fit), made_with=names[0])
    with_it = mine or (fit or listed)[0]
    ways = {each.name: f"Challenge the station: eolseq challenge --sequence {each.challenge.sequence}."
            for each in listed}
    return Covering(mine.name if mine is not None else "", names, ways[with_it.name], bool(fit), with_it.name,
                    tuple(ways.items()))


def _shares_fixture(station: Station, models: tuple[str, ...], others: tuple[str, ...]) -> bool:
    """Whether one fixture takes both; a station that names none has the same leads for all."""
    from eolseq.station.fixture_fields import fitting

    return not station.fixtures or bool(fitting(station.fixtures, {*models, *others}))


def present_of(sequence: Sequence, opened: OpenStation, pages: Mapping[str, Any], log: Log, now: datetime,
               bay: str = "") -> Present | None:
    """The station as it is now for a sequence; None where nothing is asked for. ``bay`` where there are several."""
    from eolseq.commands.checking import on_bench

    station = opened.station
    if station.checks is None:
        return None
    covering = covering_of(station, sequence)
    if bay:
        covering = covering._replace(do=_at_bay(covering.do, bay),
                                     ways=tuple((name, _at_bay(do, bay)) for name, do in covering.ways))
    return Present(now, station.checks, on_bench(opened, pages, bay), station.certified, station.digest, sequence.name,
                   sequence.digest, log.runs_since, covering, since_of(log, sequence.name, bay),
                   bay, _sharing(station, pages, bay) if bay else ())


def _sharing(station: Station, pages: Mapping[str, Any], bay: str) -> tuple[str, ...]:
    """The bays that use every instrument which this one shares, so that a challenge there shows them all."""
    from eolseq.station.bays import members

    roles = {each.name: pages[each.name].role for each in station.instruments}
    shared = {place.name: {name for name in members(station, place, roles).values() if not station.bay_of(name)}
              for place in station.places}
    return tuple(name for name, theirs in shared.items() if shared[bay] <= theirs)


def _at_bay(do: str, bay: str) -> str:
    return f"{do.removesuffix('.')} --bay {bay}."


def since_of(log: Log | Records, name: str, bay: str = "") -> Since:
    """What the log tells of a bay since one of its entries."""
    from eolseq.commands.taken_in import checks_in
    from eolseq.records.tail import newest_first
    from eolseq.verification.changeover import LOOKED_AT, begun_with, fixture_changed, other_sequence

    told = tuple(each for each in checks_in(log, simulated=True).told if not bay or each.bay in (None, bay))
    return Since(lambda index: fixture_changed(told, index),
                 lambda index: other_sequence(newest_first(log.path, log.origin, LOOKED_AT), name, index, bay),
                 lambda index: log.first_unit_since(index, bay),
                 lambda index: begun_with(newest_first(log.path, log.origin, LOOKED_AT), name, index, bay))


# -- what counts ------------------------------------------------------------------------------------------------


def history_of(log: Log | Records, *, simulated: bool) -> tuple[Past, ...]:
    """The checks that can still count; on a real station a verification counts by its signature of maintenance."""
    from eolseq.commands.taken_in import checks_in

    return checks_in(log, simulated=simulated).newest


def told_in(log: Log | Records, *, simulated: bool) -> tuple[Told, ...]:
    """What the log tells of fixtures; on a real station what is in order counts by its signature of maintenance."""
    from eolseq.commands.taken_in import checks_in

    return checks_in(log, simulated=simulated).counted
