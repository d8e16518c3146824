"""Verification where there are several bays: each bay's own instruments are verified at that bay, never at another."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import pytest

from eolseq.errors import Refused
from eolseq.verification.bench import Verifier
from tests.bays_rig import PAGES, BaysRig, of_bays
from tests.rig import SIMULATOR as ONE_BAY
from tests.rig import STATION as WITH_LOADS


def verifier(rig: BaysRig, bay: str, asked: list[str]) -> Verifier:
    def ask(_: str, what: str) -> None:
        asked.append(what)
        verb, _, which = what.partition(" ")
        rig.hall.obey({"bay": bay, verb: which})

    return Verifier(rig.clock, rig.opened, PAGES, rig.bays[bay], rig.log, lambda _: None, lambda _: "tester", ask)


@pytest.mark.parametrize("bay", ["bay-1", "bay-2"])
def test_a_guard_unit_is_verified_at_its_own_bay(quick_path: Path, bay: str) -> None:
    with BaysRig(quick_path) as rig:
        guards: dict[str, Any] = {name: world.guard for name, world in rig.hall.bays.items()}
        for guard in guards.values():
            guard.closes_by_itself = False
        asked: list[str] = []
        found = verifier(rig, bay, asked).verify((f"guard-{bay[-1]}",))
        assert str(found.results[0].outcome) == "pass" and "open contact_b" in asked  # which only this bay was asked to
        drops = {c["bay"] for c in rig.hall.changes if c.get("watchdog") == "expired"}
        assert drops == {bay}


def test_what_stands_at_another_bay_is_not_verified_here(quick_path: Path) -> None:
    with BaysRig(quick_path) as rig:
        here = verifier(rig, "bay-1", [])
        with pytest.raises(Refused, match=r"residual-2 cannot be verified at bay-1\. .*--bay bay-2"):
            here.verify(("residual-2",))


def with_loads() -> tuple[Any, Any]:
    """Two bays, each with the known loads behind relays of its own."""
    station, simulator = of_bays(2)
    relays = {name: channel for name, channel in WITH_LOADS.connections.items() if name.startswith(("load-", "tap-"))}
    more = [{name: channel + 100 * at for name, channel in relays.items()} for at in range(2)]
    places = tuple(dataclasses.replace(each, connections={**each.connections, **own})
                   for each, own in zip(station.places, more, strict=True))
    bays = tuple(dataclasses.replace(each, channels={**each.channels, **own})
                 for each, own in zip(simulator.bays, more, strict=True))
    fixture = {**simulator.fixture, "loads": ONE_BAY.fixture["loads"]}
    return (dataclasses.replace(station, places=places, known_loads=WITH_LOADS.known_loads),
            dataclasses.replace(simulator, bays=bays, fixture=fixture))


@pytest.mark.parametrize("bay", ["bay-1", "bay-2"])
def test_what_bays_share_is_verified_at_either_which_takes_it_as_a_step_does(quick_path: Path, bay: str) -> None:
    with BaysRig(quick_path, made=with_loads()) as rig:
        for world in rig.hall.bays.values():
            world.guard.closes_by_itself = True
        shared = ("residual-" + bay[-1], "resistance", "continuity", "power", "input", "current", "withstand", "switching")
        found = verifier(rig, bay, []).verify(shared)
        assert {each.instrument: str(each.outcome) for each in found.results} == dict.fromkeys(shared, "pass"), found.results
        assert all(rig.desk.holder(each) is None for each in shared), "each was given back"
        assert rig.desk.reach.way("switching", rig.bays[bay].channels["load-shunt-50m"]) == ("continuity", bay)
