"""Documents about a station itself: the verification of an instrument, work on a fixture, and the order to unlock.

Maintenance signs a verification, and what it measured or inspected of a fixture, where it was made, so each names the
very entry of the log that carries it. An unlock, signed by maintenance or quality, names the lock that it is for. None
can be played back for another one.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from eolseq.errors import NotGenuine
from eolseq.records.documents import FIXTURE_TYPE, UNLOCK_TYPE, VERIFICATION_TYPE, Document, refuse_unless
from eolseq.records.fixture_entries import Fixture
from eolseq.records.keys import RegisteredKey
from eolseq.records.registry import MAINTENANCE, QUALITY, Registry, judge_signatures

UNLOCKERS = (MAINTENANCE, QUALITY)

_VERIFICATION: dict[str, type | tuple[type, ...]] = {
    "v": int, "origin": str, "index": int, "instrument": dict, "outcome": str, "sentence": str, "page": str,
    "station": str, "run": (int, type(None)), "checks": list}
_FIXTURE: dict[str, type | tuple[type, ...]] = {
    "v": int, "origin": str, "index": int, "fixture": str, "what": str, "outcome": str, "sentence": str, "by": str,
    "bay": (str, type(None)), "run": (int, type(None)), "good_until": (str, type(None)), "station": str,
    "readings": list}
_OF_FIXTURE = ("fixture", "what", "outcome", "sentence", "by", "bay", "run", "good_until")
_SIGNED_WORK = ("inspected", "zero", "baseline")
_UNLOCK: dict[str, type | tuple[type, ...]] = {"v": int, "origin": str, "lock": int, "reason": str}


def verification_payload(origin: str, index: int, instrument: Mapping[str, Any], outcome: str, sentence: str, *,
                         page: str, station: str, run: int | None, checks: list[dict[str, Any]]) -> dict[str, Any]:
    """What a verification says, not signed yet; ``index`` is the entry of the log that will carry it."""
    return {"v": 1, "origin": origin, "index": index, "instrument": dict(instrument), "outcome": outcome,
            "sentence": sentence, "page": page, "station": station, "run": run, "checks": checks}


def unlock_payload(origin: str, lock: int, reason: str) -> dict[str, Any]:
    """What an unlock says, not signed yet; ``lock`` is the entry of the log that locked the station."""
    return {"v": 1, "origin": origin, "lock": lock, "reason": reason}


def judge_verification(document: Document, registry: Registry, index: int,
                       entry: Mapping[str, Any]) -> list[RegisteredKey]:
    """Who signed a verification carried by an entry of the log; NotGenuine when it may not stand there."""
    refuse_unless(document, VERIFICATION_TYPE, _VERIFICATION)
    said = _made_for(document, registry, index, "The verification was made", "Verify the instrument again.")
    named = entry.get("instrument")
    mine = (said["instrument"].get("model"), said["instrument"].get("serial"), said["outcome"], said["page"])
    if not isinstance(named, Mapping) or mine != (named.get("model"), named.get("serial"), entry.get("outcome"),
                                                  entry.get("page")):
        raise NotGenuine(f"Entry {index} says something else than the verification that it carries.",
                         "Verify the instrument again.")
    return judge_signatures(document, registry, index, (MAINTENANCE,))


def fixture_payload(origin: str, index: int, entry: Fixture) -> dict[str, Any]:
    """What maintenance says of a fixture, not signed yet; ``index`` is the entry of the log that will carry it."""
    return {"v": 1, "origin": origin, "index": index, **{name: getattr(entry, name) for name in _OF_FIXTURE},
            "station": entry.station_digest, "readings": [dict(each) for each in entry.readings]}


def judge_fixture(document: Document, registry: Registry, index: int,
                  entry: Mapping[str, Any]) -> list[RegisteredKey]:
    """Who signed what was measured or inspected of a fixture; NotGenuine when it may not stand in that entry."""
    refuse_unless(document, FIXTURE_TYPE, _FIXTURE)
    said = _made_for(document, registry, index, "The work on the fixture was signed",
                     "Measure or inspect the fixture again.")
    mine = [*(entry.get(name) for name in _OF_FIXTURE), entry.get("station_digest"), entry.get("readings")]
    if mine != [*(said[name] for name in _OF_FIXTURE), said["station"], said["readings"]] \
            or said["what"] not in _SIGNED_WORK:
        raise NotGenuine(f"Entry {index} says something else of the fixture than the document that it carries.",
                         "Measure or inspect the fixture again.")
    return judge_signatures(document, registry, index, (MAINTENANCE,))


def judge_unlock(document: Document, registry: Registry, index: int) -> tuple[int, list[RegisteredKey]]:
    """The entry of the lock that an unlock is for, and who signed it; NotGenuine when it may not stand there."""
    refuse_unless(document, UNLOCK_TYPE, _UNLOCK)
    _refuse_other_log(document.payload, registry)
    if not document.payload["reason"].strip():
        raise NotGenuine("The unlock gives no reason.", "Have it made again, with what was found and done.")
    if not 0 < document.payload["lock"] < index:
        raise NotGenuine(f"The unlock is for a lock in entry {document.payload['lock']}, which does not come before "
                         f"entry {index}.", "Have it made again for the lock that stands.")
    return document.payload["lock"], judge_signatures(document, registry, index, UNLOCKERS)


def _made_for(document: Document, registry: Registry, index: int, what: str, do: str) -> Mapping[str, Any]:
    """What a document says that was made for this entry of this log; NotGenuine for any other."""
    said = document.payload
    _refuse_other_log(said, registry)
    if said["index"] != index:
        raise NotGenuine(f"{what} for entry {said['index']}, not for {index}.", do)
    return said


def _refuse_other_log(said: Mapping[str, Any], registry: Registry) -> None:
    if said["origin"] != registry.origin:
        raise NotGenuine(f"The document is for another log, {said['origin'][:120]}.",
                         "Have it signed for this station.")
