"""Whether the fixture at the bay may be used now, from what the log tells of it; and the measured zeros. Pure.

Which fixture is at the bay the coded plug says; one without a plug is taken to be the one that fits the model. The log
has an entry each time another one is found at a bay, so that the units tested there between two entries are its cycles.
Where there are several bays, a zero or baseline is of a fixture at a bay: leads belong to the one, relays to the other.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from typing import Any

from eolseq.bands.zero import FixtureZero
from eolseq.quantity import counted, parse
from eolseq.station.fixture_fields import FixtureRules, fitting
from eolseq.verification.standing import Reason


@dataclass(frozen=True)
class Told:
    """An entry about a fixture: its index, its day, and what it says."""

    index: int
    day: date
    fixture: str
    what: str
    outcome: str
    sentence: str
    good_until: date | None
    readings: tuple[Mapping[str, Any], ...] = ()
    bay: str | None = None


UnitsSince = Callable[[int, str], int]
"""How many units were tested since an entry at a bay; at all of them where it is empty."""


@dataclass(frozen=True)
class Now:
    """The station now: today, the entries about its fixtures, how many units since an entry; what the sequence does.

    ``bay``: where the fixture is, where there are several; empty: there is one.
    """

    today: date
    told: tuple[Told, ...]
    units_since: UnitsSince
    bonds: bool = True
    zeros: frozenset[str] = frozenset()
    bay: str = ""


def told_of(documents: Iterable[Any]) -> tuple[Told, ...]:
    """The entries about fixtures among a log's documents, oldest first."""
    return tuple(_told(each.index, each.payload) for each in documents if each.kind == "fixture")


def _told(index: int, said: Mapping[str, Any]) -> Told:
    until = said["good_until"]
    return Told(index, datetime.fromisoformat(said["time"]).date(), said["fixture"], said["what"], said["outcome"],
                said["sentence"], None if until is None else date.fromisoformat(until), tuple(said["readings"]),
                said.get("bay"))


def mounted(fixtures: tuple[FixtureRules, ...], models: tuple[str, ...],
            plug: Decimal | None, bay: str = "") -> FixtureRules | Reason:
    """The fixture at the bay, or why there is none for these models; ``plug`` is what the coded plug reads, in ohm.

    None: no plug was there to read. ``bay``: where there are several; a fixture that stands at another one is none.
    """
    fixtures = tuple(each for each in fixtures if not bay or each.bay in ("", bay))
    named = " and ".join(models)
    fit = fitting(fixtures, models)
    if not fit:
        return Reason(f"No fixture of {bay or 'this station'} takes {named}.",
                      "Test it at another station, or have its fixture named in the station file.")
    if plug is not None:
        seen = [each for each in fixtures if each.has_plug_of(plug)]
        if seen and seen[0] in fit:
            return seen[0]
        wanted = " or ".join(each.name for each in fit)
        what = f"{seen[0].name}, which does not take {named}" if seen else "none that this station knows"
        return Reason(f"The coded plug reads {_ohms(plug)}: the fixture at the bay is {what}.",
                      f"Connect the fixture {wanted}; if it is connected, have its plug checked.")
    unplugged = [each for each in fit if each.plug is None]
    if unplugged:
        return unplugged[0]
    return Reason(f"The coded plug of fixture {' or '.join(each.name for each in fit)} is not seen.",
                  "Connect the fixture and its plug; if they are connected, have the plug checked.")


def _ohms(plug: Decimal) -> str:
    return f"{plug:.4g} ohm" if plug < 1000 else f"{plug / 1000:.4g} kohm"


def last(told: Iterable[Told], fixture: str, what: str, bay: str = "") -> Told | None:
    """The newest entry of a kind about a fixture, at a bay where one is given."""
    found = [each for each in told if (each.fixture, each.what) == (fixture, what) and _here(each, bay)]
    return found[-1] if found else None


def _here(each: Told, bay: str) -> bool:
    """Whether an entry is of a bay; one that names none was made where there was only one."""
    return not bay or each.bay in (None, bay)


def mounted_last(told: Iterable[Told], bay: str = "") -> str:
    """The fixture that was found at the bay last; empty when the log knows of none. ``bay`` where there are several."""
    found = [each.fixture for each in told if each.what == "mounted" and _here(each, bay)]
    return found[-1] if found else ""


def cycles(told: tuple[Told, ...], fixture: str, units_since: UnitsSince, bays: Iterable[str] = ("",)) -> int:
    """How many units a fixture was used for since it was last inspected, or since it came, as the log tells it.

    ``bays``: all of them, where there are several, since a fixture may have been at more than one.
    """
    return sum(_cycles_at(told, fixture, units_since, bay) for bay in bays)


def _cycles_at(told: tuple[Told, ...], fixture: str, units_since: UnitsSince, bay: str) -> int:
    inspected = last(told, fixture, "inspected")
    changes = [each for each in told if each.what == "mounted" and _here(each, bay)]
    used = 0
    for at, each in enumerate(changes):
        if each.fixture != fixture:
            continue
        begin = max(each.index, inspected.index if inspected is not None else -1)
        end = changes[at + 1].index if at + 1 < len(changes) else None
        if end is None or end > begin:
            used += units_since(begin, bay) - (units_since(end, bay) if end is not None else 0)
    return used


def fixture_reasons(fixture: FixtureRules, now: Now, bays: Iterable[str] = ("",)) -> list[Reason]:
    """Every reason not to test a unit on a fixture now; ``bays``: all of them, where there are several."""
    found = [*_inspection(fixture, now), *_worn(fixture, now, bays)]
    if fixture.zero is not None and now.zeros:
        found += _measured(fixture, "zero", "zero", now)
    if fixture.baseline is not None:
        found += _measured(fixture, "baseline", "baseline without a unit", now)
    wrong = sorted(now.zeros - {fixture.name})
    if wrong:
        found.append(Reason(f"The sequence takes off the zero of {' and '.join(wrong)}; {fixture.name} is at the bay.",
                            "Connect the fixture that the sequence was written for, or have the sequence corrected."))
    return found


def _inspection(fixture: FixtureRules, now: Now) -> list[Reason]:
    do = f"Have it inspected: eolseq fixture inspect {fixture.name}."
    if fixture.inspect_every is None:
        return []
    seen = last(now.told, fixture.name, "inspected")
    if seen is None:
        return [Reason(f"Fixture {fixture.name} was never inspected.", do)]
    due = date.fromordinal(seen.day.toordinal() + fixture.inspect_every)
    return [Reason(f"The inspection of fixture {fixture.name} was due on {due}.", do)] if now.today > due else []


def _worn(fixture: FixtureRules, now: Now, bays: Iterable[str]) -> list[Reason]:
    if fixture.cycles is None:
        return []
    used = cycles(now.told, fixture.name, now.units_since, bays)
    if used < fixture.cycles:
        return []
    return [Reason(f"Fixture {fixture.name} was used for {counted(used, 'unit')} since it was inspected or came; "
                   f"{fixture.cycles} is the most.",
                   f"Have contacts and leads renewed: eolseq fixture inspect {fixture.name}.")]


def _measured(fixture: FixtureRules, what: str, words: str, now: Now) -> list[Reason]:
    do = f"Measure it: eolseq fixture {what} {fixture.name}{f' --bay {now.bay}' if now.bay else ''}."
    words, seen = f"{words} of fixture {fixture.name}{f' at {now.bay}' if now.bay else ''}", last(
        now.told, fixture.name, what, now.bay)
    if seen is None:
        return [Reason(f"The {words} was never measured.", do)]
    if seen.outcome != "pass":
        return [Reason(f"The {words} is not in order (entry {seen.index}): {seen.sentence}",
                       f"Mend the fixture or its leads. {do}")]
    if seen.good_until is None or not seen.day <= now.today <= seen.good_until:
        return [Reason(f"The {words} was good from {seen.day} to {seen.good_until}.", do)]
    if what == "baseline" and fixture.baseline is not None and fixture.baseline.earth_current is not None \
            and now.bonds and not any(str(each["name"]).startswith("current to earth") for each in seen.readings):
        return [Reason(f"Nobody has measured whether fixture {fixture.name} has an accidental earth.", do)]
    return []


def zeros_now(typed: Mapping[str, FixtureZero], fixtures: Iterable[FixtureRules],
              told: tuple[Told, ...], bay: str = "") -> dict[str, FixtureZero]:
    """By fixture, the zero that counts: measured where the station file asks for that, else as it is typed there.

    A fixture whose last zero was not in order has none. ``bay``: where there are several, the one they are for.
    """
    found = dict(typed)
    for each in fixtures:
        if each.zero is None:
            continue
        seen = last(told, each.name, "zero", bay)
        if seen is not None and seen.outcome == "pass" and seen.good_until is not None:
            points = {str(one["point"]): parse(f"{one['value']} {one['unit']}") for one in seen.readings}
            found[each.name] = FixtureZero(each.name, each.zero.shorting_piece, seen.day, seen.good_until, points)
    return found
