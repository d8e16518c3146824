"""Whether a station may test units now: calibration, verification, challenge, what was changed since.

Pure: what the log says and what stands on the bench come in as values, and out come sentences, each with what to do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any, NamedTuple, Protocol

from eolseq.quantity import counted
from eolseq.station.checks import Checks, Demand


class Certified(Protocol):
    """Something with a certificate that instruments are held against; ``called`` is its name in a sentence."""

    @property
    def called(self) -> str:
        """Its name in a sentence."""

    @property
    def good_until(self) -> date:
        """The last day its certificate is good."""


class Reason(NamedTuple):
    """Why units are refused, and what to do; ``own``: it concerns the units of one sequence, not those of others."""

    what: str
    do: str
    own: bool = False


@dataclass(frozen=True)
class OnBench:
    """An instrument as it stands on the bench today: what it said it is, and the digest of its driver page.

    ``verifiable``: whether known loads or reference meters can show that it is good; else it is left to the challenge.
    ``bay``: the one at which it stands for good, where there are several; only there can it be verified.
    """

    name: str
    model: str
    serial: str
    calibrated_until: date
    page: str
    verifiable: bool = True
    bay: str = ""


@dataclass(frozen=True)
class Past:
    """An entry of the log that tells of a check: ``trusted`` when it was signed by whom it must be."""

    index: int
    kind: str
    time: datetime
    payload: Mapping[str, Any]
    trusted: bool


class Covering(NamedTuple):
    """The challenge that counts for a sequence: that with ``name``, or any where that is empty, and how it is made.

    ``listed`` are the names of all sequences that the station is challenged with, ``made_with`` the one to take now.
    ``here``: whether reference units fit the fixture that the sequence needs, so that a change of fixture can be
    answered with a challenge at all. ``ways``: by listed sequence, how the challenge with that one is made.
    """

    name: str = ""
    listed: tuple[str, ...] = ()
    do: str = "Challenge the station: eolseq challenge."
    here: bool = True
    made_with: str = ""
    ways: tuple[tuple[str, str], ...] = ()

    def after_miss(self, missed: str) -> str:
        """How a miss is made good: by the sequence's own challenge; where it has none, with the one that missed."""
        return self.do if self.name else dict(self.ways).get(missed, self.do)


def _nothing(_: int) -> str:
    return ""


class Since(NamedTuple):
    """What happened at the bay since an entry of the log, each asked with its index; empty, or None: nothing.

    ``fixture``: a sentence of what was done about the fixture. ``sequence``: another sequence that units were tested
    with. ``first_unit``: when the first unit was tested. ``with_it``: when each unit of the very sequence was, the
    newest first.
    """

    fixture: Callable[[int], str] = _nothing
    sequence: Callable[[int], str] = _nothing
    first_unit: Callable[[int], datetime | None] = lambda _: None
    with_it: Callable[[int], list[datetime]] = lambda _: []


@dataclass(frozen=True)
class Present:
    """The station now: time, what it asks for, what is on the bench, digests, and how many units since an entry.

    ``bay``: challenges made at another one do not count; empty: all do. ``units_since`` is asked with an entry's index,
    and with a bay where only its units count. ``sharing``: where there are several bays, those whose challenge shows
    all the instruments that this one shares.
    """

    now: datetime
    checks: Checks
    instruments: tuple[OnBench, ...]
    loads: tuple[Certified, ...]
    station_digest: str
    sequence_name: str
    sequence_digest: str
    units_since: Callable[..., int]
    covering: Covering = field(default_factory=Covering)
    since: Since = field(default_factory=Since)
    bay: str = ""
    sharing: tuple[str, ...] = ()

    def units_at(self, bay: str, index: int) -> int:
        """How many units came at a bay since an entry; at all of them where none is named."""
        return self.units_since(index, bay) if bay else self.units_since(index)


def reasons(present: Present, past: Iterable[Past], *, trial: bool = False) -> list[Reason]:
    """Every reason not to test a unit now. A trial, which releases nothing, needs no checks made in time."""
    checks = tuple(past)
    found = [*_calibration(present)]
    found += _grouped([lacking for each in present.instruments
                       for lacking in _verification(present, each, _last_of(checks, each), trial)],
                      present.checks.verification.every, present.bay)
    if not trial:
        found += challenge_reasons(present, checks)[1]
    return found


def reasons_about(present: Present, instrument: OnBench, past: Iterable[Past]) -> tuple[Past | None, list[Reason]]:
    """The last verification of one instrument, and every reason of its own not to test with it now."""
    last = _last_of(tuple(past), instrument)
    mine = replace(present, instruments=(instrument,), loads=())
    return last, [*_calibration(mine), *(each.reason for each in _verification(mine, instrument, last, False))]


def challenge_reasons(present: Present, past: Iterable[Past]) -> tuple[Past | None, list[Reason]]:
    """The challenge that counts now, the newest of its kind, and every reason that it gives not to test a unit."""
    checks = tuple(past)
    challenges, mine = _challenges(present, checks)
    return mine[-1] if mine else None, _challenge(present, challenges, mine) or _shared_too_old(present, checks)


def made_with(present: Present, past: Iterable[Past]) -> str:
    """The listed sequence to challenge the station with now: where a miss of another stands in the way, that one."""
    missed = _missed(present.covering, *_challenges(present, past))
    name = "" if missed is None or present.covering.name else str(missed.payload["sequence"]["name"])
    return name if name in present.covering.listed else present.covering.made_with


def _challenges(present: Present, past: Iterable[Past]) -> tuple[list[Past], list[Past]]:
    """Every challenge at the bay, and those that count for the sequence, oldest first."""
    challenges = [each for each in past if each.kind == "challenge" and _at_bay(each, present.bay)]
    return challenges, [each for each in challenges
                        if present.covering.name in ("", each.payload["sequence"]["name"])]


def end_missing(present: Present, last: Past) -> str:
    """That a shift which has ended tested units and was not challenged after them, in a sentence; else empty."""
    began = present.checks.since(Demand("shift"), present.now) if present.checks.shifts else None
    first = present.since.first_unit(last.index)
    if not present.checks.challenge.at_end or began is None or first is None or first >= began:
        return ""
    if present.covering.name:  # units of another model had a challenge of their own to end with
        first = min(present.since.with_it(last.index), default=began)
        if first >= began:
            return ""
    return f"A shift ended without its challenge: units were tested from {first:%Y-%m-%d %H:%M} UTC on, after the " \
           f"challenge in entry {last.index}."


def owing(present: Present, past: Iterable[Past]) -> int:
    """How many units were tested since the challenge that counts for the sequence, at a station that ends with one."""
    if not present.checks.challenge.at_end:
        return 0
    last, _ = challenge_reasons(present, past)
    since = last.index if last is not None else -1
    return len(present.since.with_it(since)) if present.covering.name else present.units_at(present.bay, since)


def _calibration(present: Present) -> list[Reason]:
    today = present.now.date()
    found = [Reason(f"The calibration of {each.name} ({each.model} {each.serial}) was good until "
                    f"{each.calibrated_until}.", "Have it calibrated, and its entry in the station file changed.")
             for each in present.instruments if today > each.calibrated_until]
    if present.checks.verification.every == "never":
        return found
    return found + [Reason(f"The certificate of {each.called} was good until {each.good_until}.",
                           "Have it calibrated, and its entry in the station file changed.")
                    for each in present.loads if today > each.good_until]


def _last_of(checks: tuple[Past, ...], instrument: OnBench) -> Past | None:
    """The newest verification of the very instrument on the bench; one that failed counts, signed or not."""
    mine = [each for each in checks if each.kind == "verification" and _is(each.payload["instrument"], instrument)
            and (each.trusted or each.payload["outcome"] != "pass")]
    return mine[-1] if mine else None


def _is(named: Mapping[str, Any], instrument: OnBench) -> bool:
    return (named["model"], named["serial"]) == (instrument.model, instrument.serial)


class _Lacking(NamedTuple):
    """What an instrument's verification lacks: ``how`` sorts it, so that several alike are told in one sentence."""

    how: str
    instrument: OnBench
    reason: Reason


def _grouped(found: list[_Lacking], every: str, bay: str) -> list[Reason]:
    """Every reason, but all instruments that were never verified in one, and all whose verification is too old."""
    told: list[Reason] = []
    for how, words in (("never", "Never verified on this station"), ("old", f"Not verified since this {every} began")):
        several = [each.instrument for each in found if each.how == how]
        if len(several) > 1:
            bays = dict.fromkeys(each.bay for each in several if each.bay) or (bay,)
            do = ", ".join(f"eolseq verify --all{_at(each)}" for each in bays)  # what bays share is verified at any
            told.append(Reason(f"{words}: {', '.join(each.name for each in several)}.", f"Verify them: {do}."))
            found = [each for each in found if each.how != how]
    return [*told, *(each.reason for each in found)]


def _at(bay: str) -> str:
    return f" --bay {bay}" if bay else ""


def _verification(present: Present, instrument: OnBench, last: Past | None, trial: bool) -> list[_Lacking]:
    do = f"Verify it: eolseq verify {instrument.name}{_at(instrument.bay or present.bay)}."
    name = f"{instrument.name} ({instrument.model} {instrument.serial})"

    def lacking(how: str, what: str, also: str = "") -> list[_Lacking]:
        return [_Lacking(how, instrument, Reason(what, also + do))]

    if last is not None and last.payload["outcome"] != "pass":
        return lacking("bad", f"{name} did not hold at its last verification (entry {last.index}): "
                       f"{last.payload['sentence']}", "Have it repaired or exchanged. ")
    since = present.checks.since(present.checks.verification, present.now)
    if since is None or trial or not instrument.verifiable:
        return []
    if last is None:
        return lacking("never", f"{name} was never verified on this station.")
    if last.payload.get("page") != instrument.page:
        return lacking("page", f"The driver page of {name} was changed since its verification (entry {last.index}).")
    late = _too_old(present, present.checks.verification, last, since, f"The verification of {name}", do,
                    instrument.bay)
    return [_Lacking("old" if last.time < since else "units", instrument, each) for each in late]


def _at_bay(challenge: Past, bay: str) -> bool:
    """Whether a challenge was made at a bay; an entry that names none was made where there is only one."""
    return not bay or challenge.payload.get("bay") in (None, bay)


def _challenge(present: Present, past: list[Past], mine: list[Past]) -> list[Reason]:
    """``past``: every challenge at the bay; ``mine``: those that count for the sequence."""
    do, own = present.covering.do, len(present.covering.listed) > 1
    missed = _missed(present.covering, past, mine)
    if missed is not None:
        again = present.covering.after_miss(missed.payload["sequence"]["name"])
        return [Reason(f"The station missed a reference unit at its last challenge (entry {missed.index}): "
                       f"{missed.payload['sentence']}", f"Have maintenance find out why. {again}", own)]
    demand = present.checks.challenge
    since = present.checks.since(demand, present.now)
    if since is None:
        return []
    last = mine[-1] if mine else None
    if last is None:
        with_it = f" with {present.covering.name}" if present.covering.name else ""
        at = f" at {present.bay}" if present.bay else ""
        return [Reason(f"The station was never challenged{at}{with_it}.", do, own)]
    changed = _file_changed(present, last)
    if changed:
        return [Reason(f"{changed} (entry {last.index}).", do, own)]
    late = end_missing(present, last)
    if late:
        return [Reason(late, do, own)]
    return _changed_over(present, last) or [each._replace(own=own) for each in _too_old(
        present, demand, last, since, "The challenge", do, present.bay)]


def _shared_too_old(present: Present, past: tuple[Past, ...]) -> list[Reason]:
    """What bays share is used by the units of all, and shown by a challenge at any bay that uses all of it."""
    demand, name = present.checks.challenge, present.covering.name
    if demand.units is None or not present.bay:
        return []
    shown = [each for each in past if each.kind == "challenge" and each.payload["outcome"] == "pass"
             and name in ("", each.payload["sequence"]["name"]) and each.payload.get("bay") in (None, *present.sharing)]
    units = present.units_since(shown[-1].index) if shown else 0
    if units < demand.units:
        return []
    at = shown[-1].payload.get("bay") or present.bay
    return [Reason(f"What bays share counts for {counted(demand.units, 'unit')} after a challenge at one of them; "
                   f"{units} came since the newest, at {at} (entry {shown[-1].index}).", present.covering.do,
                   len(present.covering.listed) > 1)]


def _missed(covering: Covering, past: list[Past], mine: list[Past]) -> Past | None:
    """The newest challenge that missed a unit and was not made good: of the sequence, else of any that is listed."""
    newest = past[-1:] + mine[-1:]
    if not covering.name:
        for name in covering.listed:
            newest += [each for each in past if each.payload["sequence"]["name"] == name][-1:]
    return next((each for each in newest if each.payload["outcome"] != "pass"), None)


def _file_changed(present: Present, last: Past) -> str:
    """Which file was changed since a challenge, as the beginning of a sentence; empty when none was."""
    used, pages = last.payload["sequence"], {each.name: each.page for each in present.instruments}
    if used["name"] == present.sequence_name and used["digest"] != present.sequence_digest:
        return "The sequence was changed since the challenge with it"
    if last.payload["station_digest"] != present.station_digest:
        return "The station file was changed since the challenge"
    changed = any(last.payload["pages"].get(name) != page for name, page in pages.items())
    return "A driver page was changed since the challenge" if changed else ""


def _changed_over(present: Present, last: Past) -> list[Reason]:
    """What was changed at the bay since the first reference unit of a challenge was in it."""
    runs = [each["run"] for each in last.payload.get("shown") or () if each["run"] is not None]
    since, do = min(runs, default=last.index), present.covering.do
    fixture = present.since.fixture(since) if present.covering.here else ""
    if fixture:
        return [Reason(f"{fixture} after the last challenge (entry {last.index}).", do, True)]
    other = present.since.sequence(since) if present.checks.challenge.changeover == "sequence" else ""
    if other:
        return [Reason(f"Units were tested with another sequence, {other}, after the last challenge (entry "
                       f"{last.index}): this is a changeover.", do, True)]
    return []


def _too_old(present: Present, demand: Demand, last: Past, since: datetime, what: str, do: str,
             bay: str) -> list[Reason]:
    """That a check is of before the day or shift, or that enough units came since: at a bay, or (empty) at all."""
    if last.time < since:
        return [Reason(f"{what} (entry {last.index}) is of {last.time:%Y-%m-%d %H:%M} UTC, before this "
                       f"{demand.every} began.", do)]
    units = present.units_at(bay, last.index)
    if demand.units is not None and units >= demand.units:
        return [Reason(f"{what} (entry {last.index}) counts for {counted(demand.units, 'unit')}; {units} came "
                       "since.", do)]
    return []
