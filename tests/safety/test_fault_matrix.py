"""Every state of a run with every fault, in virtual time, judged by the simulator's own view.

A case puts a fault in at a moment of the run at which, in the simulator's own view, an output is on or was just
turned off (or nothing was energised yet), and then asks: is the unit without voltage within the stated time, is dead
proved or the guard locked red, is the outcome never ``pass``, and is the log whole. The simulator's contactor is not
hard-wired to the guard contacts here, so that what is seen is the program alone.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.engine.run import UnitRun
from eolseq.guard.inputs import Reason
from eolseq.guard.opening import Power
from eolseq.records.audit import audit
from tests.rig import SCAN, SHORT, Rig

SOURCES = ("continuity", "withstand", "power")


# -- moments ------------------------------------------------------------------------------------------------------


def on_for(source: str, seconds: float) -> Callable[[Rig, str], bool]:
    """The named source has been on for so many seconds in the simulator's own view."""
    def reached(rig: Rig, state: str) -> bool:
        since = [c["time"] for c in rig.world.changes if c.get("name") == source and c.get("output") == "on"]
        return rig.world.output_on(source) and bool(since) and rig.clock.monotonic() - since[-1] >= seconds
    return reached


def dead_after(source: str) -> Callable[[Rig, str], bool]:
    """The named source was the last one on, is off again, and dead is being proved."""
    def reached(rig: Rig, state: str) -> bool:
        last = [c["name"] for c in rig.world.changes if c.get("output") == "on"]
        return state == "proving_dead" and last[-1:] == [source] and not rig.world.output_on(source)
    return reached


def in_state(name: str, after: str = "") -> Callable[[Rig, str], bool]:
    """The run is in a state, after the named source was on (or before any was)."""
    def reached(rig: Rig, state: str) -> bool:
        last = [c["name"] for c in rig.world.changes if c.get("output") == "on"]
        return state == name and last[-1:] == ([after] if after else [])
    return reached


MOMENTS: dict[str, tuple[str, Callable[[Rig, str], bool]]] = {
    # name: (the source concerned, whether the moment has come)
    "waiting for the guard": ("continuity", in_state("cautioned")),
    "guarded, nothing on yet": ("continuity", in_state("guarded")),
    "continuity rising": ("continuity", on_for("continuity", 0.02)),
    "continuity holding": ("continuity", on_for("continuity", 0.3)),
    "dead after continuity": ("continuity", dead_after("continuity")),
    "guarded after continuity": ("withstand", in_state("guarded", "continuity")),
    "withstand just on": ("withstand", on_for("withstand", 0.0)),
    "withstand rising": ("withstand", on_for("withstand", 0.2)),
    "withstand holding": ("withstand", on_for("withstand", 0.8)),
    "withstand falling": ("withstand", on_for("withstand", 1.4)),
    "dead after withstand": ("withstand", dead_after("withstand")),
    "guarded after withstand": ("power", in_state("guarded", "withstand")),
    "motor starting": ("power", on_for("power", 0.1)),
    "motor running": ("power", on_for("power", 1.0)),
    "dead after motor": ("power", dead_after("power")),
}


# -- faults -------------------------------------------------------------------------------------------------------


def wire(name: str, fault: str) -> Callable[[Rig, str], None]:
    """A fault of an instrument's wire; "source" is the one concerned at that moment."""
    return lambda rig, source: rig.world.set_fault(fault, source if name == "source" else name)


def person(what: str) -> Callable[[Rig, str], None]:
    """What the handlers of Ctrl-C and SIGTERM do."""
    return lambda rig, _: rig.opened.watcher.trip(Reason(False, f"Stopped by {what}.", "Run the unit again."))


def end_watcher(rig: Rig, _: str) -> None:
    """The watcher's task dies of a mistake in the program."""
    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("a mistake in the program")
    rig.opened.watcher.inputs.note = broken  # type: ignore[method-assign]


def break_step(rig: Rig, _: str) -> None:
    """The step's next look at the source, or next use of an instrument, ends in a mistake of the program."""
    rig.broken = True  # type: ignore[attr-defined]


NOW = 0.005                        # seconds: what is done without waiting for anything
LOOK = SCAN + NOW                  # seen at the next look at the guard
STALE = 0.1 + SCAN + 0.05 + NOW    # freshness, one scan, one look that waits in vain
VAIN = 1.0 + NOW                   # longest answer a source's driver page waits for, then OFF
SAMPLE = 0.08 + 0.1 + NOW          # seen when the step next looks, at the latest when the guard is stale

FAULTS: dict[str, tuple[Callable[[Rig, str], None], float]] = {
    # name: (what happens, seconds within which nothing may reach the unit any more)
    "guard opened": (lambda rig, _: rig.world.open_guard(), LOOK),
    "only contact a opened": (lambda rig, _: rig.world.open_guard("a"), LOOK),
    "only contact b opened": (lambda rig, _: rig.world.open_guard("b"), LOOK),
    "stop button": (lambda rig, _: rig.world.press_stop(), LOOK),
    "guard unit silent": (wire("guard", "silent"), STALE),
    "guard unit garbled": (wire("guard", "garbled"), STALE),
    "guard unit truncated": (wire("guard", "truncated"), STALE),
    "guard unit late": (wire("guard", "late"), STALE),
    "guard unit closed": (wire("guard", "closed"), 0.3 + SCAN + NOW),
    "source silent": (wire("source", "silent"), VAIN),
    "source garbled": (wire("source", "garbled"), VAIN),
    "source truncated": (wire("source", "truncated"), VAIN),
    "source late": (wire("source", "late"), VAIN),
    "source closed": (wire("source", "closed"), VAIN),
    "error in the source's queue": (wire("source", "error-in-queue"), 10.0),
    "residual meter silent": (wire("residual", "silent"), 10.0),
    "residual meter garbled": (wire("residual", "garbled"), 10.0),
    "residual meter closed": (wire("residual", "closed"), 10.0),
    "switching unit silent": (wire("switching", "silent"), 10.0),
    "switching unit closed": (wire("switching", "closed"), 10.0),
    "exception in a step": (break_step, SAMPLE),
    "watcher dead": (end_watcher, SAMPLE),
    "Ctrl-C": (person("Ctrl-C"), NOW),
    "SIGTERM": (person("a signal"), NOW),
}

FOUND_WHEN_USED = {each for each in FAULTS if each.startswith(("source", "error", "residual", "switching", "exception"))}
"""These are found when the instrument or step is next used; voltage may come on before that."""

MAY_PASS = {
    # The fault comes when there is nothing left that it could spoil.
    ("dead after motor", "exception in a step"), ("dead after motor", "error in the source's queue"),
}


@pytest.fixture
def breakable(monkeypatch: pytest.MonkeyPatch) -> None:
    """Lets a step's next look at a source fail like a mistake in the program."""
    sample, pause = Power.sample, Power.pause

    def broken(self: Power, *given: Any) -> Any:
        if getattr(Rig.present, "broken", False):  # type: ignore[attr-defined]
            raise ZeroDivisionError("a mistake in the program")
        return sample(self) if not given else pause(self, *given)

    monkeypatch.setattr(Power, "sample", broken)
    monkeypatch.setattr(Power, "pause", broken)


def reached_unit_until(rig: Rig) -> float:
    """The last time at which an output was on with the contactor closed, by the simulator's own view."""
    on, contactor, last = set(), False, 0.0
    for change in rig.world.changes:
        live = bool(on) and contactor
        if "output" in change:
            (on.add if change["output"] == "on" else on.discard)(change["name"])
        elif "contactor" in change:
            contactor = change["contactor"] == "closed"
        if live:
            last = change["time"]
    return float("inf") if on and contactor else last


def run_with(rig: Rig, moment: str, fault: str) -> tuple[Any, float | None, bool]:
    """Run the unit with a fault put in; the result, when it was put in, and whether an output was on then."""
    source, reached = MOMENTS[moment]
    states: dict[str, UnitRun] = {}
    put_in: list[tuple[float, bool]] = []
    init = UnitRun.__init__

    def remember(self: UnitRun, *given: Any, **named: Any) -> None:
        init(self, *given, **named)
        states["run"] = self

    def probe(_: int) -> None:
        run = states.get("run")
        if put_in or run is None or not reached(rig, run._states.state):
            return
        rig.world.advance_to(rig.clock.monotonic())
        put_in.append((rig.clock.monotonic(), any(rig.world.output_on(each) for each in SOURCES)))
        rig.world.guard.closes_by_itself = False
        FAULTS[fault][0](rig, source)

    guard = rig.world.guard
    guard.settings = dataclasses.replace(guard.settings, hard_wired=False)
    Rig.present = rig  # type: ignore[attr-defined]
    rig.clock.probe = probe
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(UnitRun, "__init__", remember)
        result = rig.run()
    rig.clock.probe = None
    return result, put_in[0][0] if put_in else None, bool(put_in and put_in[0][1])


CASES = [(moment, fault) for moment in MOMENTS for fault in FAULTS]


def test_the_number_of_cases() -> None:
    assert len(CASES) == 15 * 24 == 360


@pytest.mark.parametrize(("moment", "fault"), CASES, ids=[f"{m} / {f}" for m, f in CASES])
@pytest.mark.usefixtures("breakable")
def test_state_and_fault(quick_path: Path, moment: str, fault: str) -> None:
    with Rig(quick_path, sequence=SHORT) as rig:
        result, at, was_on = run_with(rig, moment, fault)
        assert at is not None, "the moment did not come"
        if "rising" in moment or "holding" in moment or ("motor" in moment and "dead" not in moment):
            assert was_on, "no output was on in the simulator's own view"
        assert result.outcome is not Outcome.PASS or (moment, fault) in MAY_PASS, result.sentence
        stayed = reached_unit_until(rig) - at
        allowed = FAULTS[fault][1] if was_on or fault not in FOUND_WHEN_USED else 10.0
        assert stayed <= allowed, f"voltage reached the unit for {stayed * 1000:.0f} ms: {result.sentence}"
        rig.world.advance_to(rig.clock.monotonic())
        locked = rig.log.locked() is not None
        assert locked == rig.opened.door.voltage_possible
        if locked:
            assert rig.world.guard.locked, "locked in the log but the guard is not"
            assert result.outcome in (Outcome.FAULT, Outcome.FAIL)
        else:
            assert rig.world.voltage_at_unit() < 25.0 and not rig.world.energised_at_unit()
        path = rig.log.path
    assert not audit(path).findings
