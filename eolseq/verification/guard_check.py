"""Verifying guard unit and relays: each contact opened alone, the watchdog dropping, each relay read back.

Nothing is energised here. The watcher only looks; the door closes the contactor with every source proved off.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from eolseq.bands.band import Outcome
from eolseq.errors import EolseqError
from eolseq.guard.inputs import GuardState
from eolseq.guard.power import Door, LockedRed
from eolseq.guard.watcher import Watcher
from eolseq.station.checks import KnownLoad
from eolseq.steps.base import Bench
from eolseq.verification.results import Result, held
from eolseq.verification.steps import in_place
from eolseq.verification.tap import at_tap

Ask = Callable[[str, str], None]
"""Has something done to the guard: a sentence for the person, and what it is (such as ``open contact_a``)."""


def verify_guard(name: str, watcher: Watcher, door: Door, sources: list[Any], ask: Ask, patience: float) -> Result:
    """Open and close each contact, then let the watchdog drop; ``patience`` is how long (s) a person may take."""
    checks: list[dict[str, Any]] = []

    def seen(what: str, found: bool) -> None:
        checks.append(_seen(name, what, found))

    try:
        _closed(watcher, ask, patience)
        for contact, other in (("contact_a", "contact_b"), ("contact_b", "contact_a")):
            ask(f"Open {contact.replace('_', ' ')} of the guard alone.", f"open {contact}")
            seen(f"{contact} opened alone", watcher.wait_for(_only(contact, other), patience))
            _closed(watcher, ask, patience)
        seen("watchdog drops the contactor", door.watchdog_drops(sources))
    except LockedRed:
        raise
    except EolseqError as error:
        return Result(name, Outcome.FAULT, str(error), tuple(checks))
    return _result(name, checks)


def verify_relays(name: str, bench: Bench, loads: Sequence[KnownLoad]) -> Result:
    """Close every known load's relay and every tap's by itself, have it read back and see it open; nothing is on."""
    checks: list[dict[str, Any]] = []
    every = [(each.relay, "resistance", in_place(each)) for each in loads]
    every += [(each.tap_relay, "continuity", at_tap(each)) for each in loads if each.tap]
    for relay, route, connections in every:
        try:
            with bench.connected(route, connections):
                pass
        except EolseqError as error:
            return Result(name, Outcome.FAULT, str(error), tuple(checks))
        checks.append(_seen(name, f"relay {relay} closed and opened", True))
    return _result(name, checks)


def _result(name: str, checks: list[dict[str, Any]]) -> Result:
    """Good when everything was seen; what looked at nothing is no check."""
    bad = [each for each in checks if each["outcome"] != "pass"]
    if bad:
        return Result(name, Outcome.FAIL, bad[0]["sentence"] + ".", tuple(checks))
    if not checks:
        return Result(name, Outcome.FAULT, "Nothing was checked: the station file names no known load.", ())
    return Result(name, Outcome.PASS, held(len(checks)), tuple(checks))


def _seen(name: str, what: str, found: bool) -> dict[str, Any]:
    return {"step": name, "reading": what, "raw": None, "value": None, "unit": "", "at_least": None, "at_most": None,
            "basis": "read back", "normalised_error": None, "prediction_error": None,
            "outcome": "pass" if found else "fail",
            "shown": "seen" if found else "not seen", "sentence": f"{what}: {'seen' if found else 'NOT seen'}"}


def _closed(watcher: Watcher, ask: Ask, patience: float) -> None:
    ask("Close the guard, with every contact as it belongs.", "close both")
    watcher.wait_for(lambda state: state.closed, patience)


def _only(contact: str, other: str) -> Callable[[GuardState], bool]:
    return lambda state: not getattr(state, contact) and bool(getattr(state, other))
