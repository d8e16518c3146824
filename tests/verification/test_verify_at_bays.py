"""Verification where there are several bays: each bay's own instruments are verified at that bay, never at another."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from eolseq.errors import Refused
from eolseq.verification.bench import Verifier
from tests.bays_rig import PAGES, BaysRig


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
