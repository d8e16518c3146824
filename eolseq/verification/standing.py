"""Whether a station may test units now: calibration, verification, challenge, what was changed since.

Pure: what the log says and what stands on the bench come in as values, and out come sentences, each with what to do.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any, NamedTuple

from eolseq.station.checks import Checks, Demand, KnownLoad


class Reason(NamedTuple):
    """Why units are refused, and what to do."""

    what: str
    do: str


@dataclass(frozen=True)
class OnBench:
    """An instrument as it stands on the bench today: what it said it is, and the digest of its driver page.

    ``verifiable``: whether known loads can show that it is good; what they cannot is left to the challenge.
    """

    name: str
    model: str
    serial: str
    calibrated_until: date
    page: str
    verifiable: bool = True


@dataclass(frozen=True)
class Past:
    """An entry of the log that tells of a check: ``trusted`` when it was signed by whom it must be."""

    index: int
    kind: str
    time: datetime
    payload: Mapping[str, Any]
    trusted: bool


@dataclass(frozen=True)
class Present:
    """The station now: time, what it asks for, what is on the bench, digests, and how many units since an entry."""

    now: datetime
    checks: Checks
    instruments: tuple[OnBench, ...]
    loads: tuple[KnownLoad, ...]
    station_digest: str
    sequence_name: str
    sequence_digest: str
    units_since: Callable[[int], int]


def history(documents: Iterable[Any], trusted: Callable[[int], bool]) -> tuple[Past, ...]:
    """The verifications and challenges among a log's documents, oldest first."""
    return tuple(Past(each.index, each.kind, datetime.fromisoformat(each.payload["time"]), each.payload,
                      each.kind == "challenge" or trusted(each.index))
                 for each in documents if each.kind in ("verification", "challenge"))


def reasons(present: Present, past: Iterable[Past], *, trial: bool = False) -> list[Reason]:
    """Every reason not to test a unit now. A trial, which releases nothing, needs no checks made in time."""
    checks = tuple(past)
    found = [*_calibration(present)]
    for each in present.instruments:
        found += _verification(present, each, _last_of(checks, each), trial)
    if not trial:
        found += _challenge(present, [each for each in checks if each.kind == "challenge"])
    return found


def reasons_about(present: Present, instrument: OnBench, past: Iterable[Past]) -> tuple[Past | None, list[Reason]]:
    """The last verification of one instrument, and every reason of its own not to test with it now."""
    last = _last_of(tuple(past), instrument)
    mine = replace(present, instruments=(instrument,), loads=())
    return last, [*_calibration(mine), *_verification(mine, instrument, last, False)]


def challenge_reasons(present: Present, past: Iterable[Past]) -> tuple[Past | None, list[Reason]]:
    """The last challenge of the station, and every reason that it gives not to test a unit now."""
    challenges = [each for each in past if each.kind == "challenge"]
    return challenges[-1] if challenges else None, _challenge(present, challenges)


def _calibration(present: Present) -> list[Reason]:
    today = present.now.date()
    found = [Reason(f"The calibration of {each.name} ({each.model} {each.serial}) was good until "
                    f"{each.calibrated_until}.", "Have it calibrated, and its entry in the station file changed.")
             for each in present.instruments if today > each.calibrated_until]
    if present.checks.verification.every == "never":
        return found
    return found + [Reason(f"The certificate of known load {each.name} was good until {each.good_until}.",
                           "Have it calibrated, and its entry in the station file changed.")
                    for each in present.loads if today > each.good_until]


def _last_of(checks: tuple[Past, ...], instrument: OnBench) -> Past | None:
    """The newest verification of the very instrument on the bench; one that failed counts, signed or not."""
    mine = [each for each in checks if each.kind == "verification" and _is(each.payload["instrument"], instrument)
            and (each.trusted or each.payload["outcome"] != "pass")]
    return mine[-1] if mine else None


def _is(named: Mapping[str, Any], instrument: OnBench) -> bool:
    return (named["model"], named["serial"]) == (instrument.model, instrument.serial)


def _verification(present: Present, instrument: OnBench, last: Past | None, trial: bool) -> list[Reason]:
    do = f"Verify it: eolseq verify {instrument.name}."
    name = f"{instrument.name} ({instrument.model} {instrument.serial})"
    if last is not None and last.payload["outcome"] != "pass":
        return [Reason(f"{name} did not hold at its last verification (entry {last.index}): "
                       f"{last.payload['sentence']}", f"Have it repaired or exchanged. {do}")]
    since = present.checks.since(present.checks.verification, present.now)
    if since is None or trial or not instrument.verifiable:
        return []
    if last is None:
        return [Reason(f"{name} was never verified on this station.", do)]
    if last.payload.get("page") != instrument.page:
        return [Reason(f"The driver page of {name} was changed since its verification (entry {last.index}).", do)]
    return _too_old(present, present.checks.verification, last, since, f"The verification of {name}", do)


def _challenge(present: Present, past: list[Past]) -> list[Reason]:
    do = "Challenge the station: eolseq challenge."
    last = past[-1] if past else None
    if last is not None and last.payload["outcome"] != "pass":
        return [Reason(f"The station missed a reference unit at its last challenge (entry {last.index}): "
                       f"{last.payload['sentence']}", f"Have maintenance find out why. {do}")]
    since = present.checks.since(present.checks.challenge, present.now)
    if since is None:
        return []
    if last is None:
        return [Reason("The station was never challenged.", do)]
    used, pages = last.payload["sequence"], {each.name: each.page for each in present.instruments}
    if used["name"] == present.sequence_name and used["digest"] != present.sequence_digest:
        return [Reason(f"The sequence was changed since the challenge with it (entry {last.index}).", do)]
    if last.payload["station_digest"] != present.station_digest:
        return [Reason(f"The station file was changed since the challenge (entry {last.index}).", do)]
    if last.payload["pages"] != pages:
        return [Reason(f"A driver page was changed since the challenge (entry {last.index}).", do)]
    return _too_old(present, present.checks.challenge, last, since, "The challenge", do)


def _too_old(present: Present, demand: Demand, last: Past, since: datetime, what: str, do: str) -> list[Reason]:
    if last.time < since:
        return [Reason(f"{what} (entry {last.index}) is of {last.time:%Y-%m-%d %H:%M} UTC, before this "
                       f"{demand.every} began.", do)]
    units = present.units_since(last.index)
    if demand.units is not None and units >= demand.units:
        return [Reason(f"{what} (entry {last.index}) counts for {demand.units} units, and {units} were tested "
                       "since.", do)]
    return []
