"""Draw the manual's pictures of a shift, from the real screen of a shift in virtual time: ``python tests/shift_pictures.py``.

Each situation is reached as a technician reaches it, at the simulated line bench. A folder may be named to write them to.
"""

from __future__ import annotations

import dataclasses
import sys
import tempfile
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from eolseq.bands.band import Outcome  # noqa: E402
from eolseq.engine.events import Live, StepBegins  # noqa: E402
from eolseq.line.shift_events import Note, Situation, Stands, Tick, UnitOver  # noqa: E402
from eolseq.screen.frame import Frame  # noqa: E402
from eolseq.screen.shift_draw import draw_shift  # noqa: E402
from eolseq.screen.shift_model import ShiftView  # noqa: E402
from tests.pictures import svg  # noqa: E402
from tests.shift_rig import STATION, ShiftRig, typed  # noqa: E402

FOLDER = ROOT / "eolseq" / "manual" / "pictures"
GOOD, BAD, THIRD, FOURTH = (f"DH6-{number:08d}" for number in range(1, 5))
WIDTH, HEIGHT = 80, 24
When = Callable[[Any, ShiftView], bool]


class Camera:
    """Keeps a view of a shift and takes a picture the first time that a condition holds, at the next moment."""

    def __init__(self, rig: ShiftRig, wanted: dict[str, When], width: int = WIDTH, height: int = HEIGHT) -> None:
        self.view = ShiftView()
        self.taken: dict[str, Frame] = {}
        self._rig, self._wanted, self._size = rig, wanted, (width, height)
        for event in rig.told:
            self.see(event)
        rig.also = self.see

    def see(self, event: Any) -> None:
        """One event of the shift."""
        now = self._rig.clock.monotonic()
        self.view.tell(event, now)
        for name, when in self._wanted.items():
            if name not in self.taken and when(event, self.view):
                self.taken[name] = draw_shift(self.view, now, *self._size)


def at_rest(situation: Situation, outcome: Outcome | None = None, note: str = "") -> When:
    """A moment without anything new in a situation, after an outcome, with a note of a word."""
    def when(event: Any, view: ShiftView) -> bool:
        over = None if view.over is None else view.over.outcome
        said = "" if view.note is None else view.note.word
        return isinstance(event, Tick) and view.situation is situation and over is outcome and said == note
    return when


def _day(folder: Path) -> dict[str, Frame]:
    """Waiting, cautions, running, pass, reject, stopped, fault and refused."""
    with ShiftRig(folder, defects={BAD: "poor-bond"}) as rig:
        camera = Camera(rig, {
            "shift-sign-in": at_rest(Situation.SIGN_IN),
            "shift-cautions": at_rest(Situation.CAUTIONS),
            "shift-waiting": at_rest(Situation.WAITING),
            "shift-running": lambda event, view: isinstance(event, Live) and event.index == 4 and event.phase == "holding"
            and view.run.safety is not None and view.run.safety.voltage_possible,
            "shift-pass": at_rest(Situation.LABEL, Outcome.PASS),
            "shift-refused": at_rest(Situation.WAITING, None, "REFUSED"),
            "shift-reject": at_rest(Situation.WAITING, Outcome.FAIL, "REJECT"),
            "shift-stopped": at_rest(Situation.WAITING, Outcome.STOPPED, "STOPPED"),
            "shift-fault": at_rest(Situation.WAITING, Outcome.FAULT, "FAULT")})
        watch = camera.see

        def also(event: Any) -> None:
            watch(event)
            if isinstance(event, StepBegins) and event.index == 4 and camera.view.run.plan is not None:
                serial = camera.view.run.plan.serial
                if serial == THIRD:
                    rig.world.press_stop()
                elif serial == FOURTH:
                    rig.world.set_fault("silent", "withstand")
            if isinstance(event, UnitOver):
                rig.world.press_stop(False)
        rig.also = also
        rig.run([GOOD, "DH7-00000001", BAD, THIRD, FOURTH])
    return camera.taken


def _checks(folder: Path) -> dict[str, Frame]:
    """Check due, and locked after a reference unit was missed."""
    if STATION.challenges is None:
        return {}
    blind = dataclasses.replace(STATION.challenges, references=tuple(
        dataclasses.replace(each, simulated="") if each.name == "breakdown" else each
        for each in STATION.challenges.references))
    with ShiftRig(folder, checks=True, challenges=blind) as rig:
        camera = Camera(rig, {
            "shift-check-due": at_rest(Situation.CHECK_DUE, note="CHECK DUE"),
            "shift-locked": at_rest(Situation.LOCKED, note="REFUSED")})
        watch = camera.see

        def also(event: Any) -> None:
            watch(event)
            if isinstance(event, Stands) and event.situation is Situation.LOCKED:
                rig.scan_later(typed("end"), 5.0)
        rig.also = also
        rig.run([], {Situation.CHECK_DUE: [GOOD.encode()]})
    return camera.taken


class Cut(BaseException):
    """The power has gone."""


def _after_cut(folder: Path) -> dict[str, Frame]:
    """Started again after a power cut: before the outputs are proved off, and after."""
    def cut(event: Any) -> None:
        if isinstance(event, Live) and event.index == 4:
            raise Cut
    with ShiftRig(folder) as rig:
        rig.also = cut
        with suppress(Cut):
            rig.run([GOOD])
    with ShiftRig(folder) as again:
        camera = Camera(again, {
            "shift-power-cut": lambda event, view: isinstance(event, Stands) and event.situation is Situation.AFTER_CUT,
            "shift-after-cut": at_rest(Situation.SIGN_IN, note="POWER CUT")})
        if not any(isinstance(event, Note) for event in again.told):
            raise SystemExit("nothing was said after the cut")
        again.run([])
    return camera.taken


def pictures() -> dict[str, Frame]:
    """Every picture by name."""
    taken: dict[str, Frame] = {}
    for make in (_day, _checks, _after_cut):
        with tempfile.TemporaryDirectory() as folder:
            taken |= make(Path(folder))
    return taken


def drawings() -> dict[str, str]:
    """Every picture as SVG, by the name of its file."""
    return {f"{name}.svg": svg(frame, f"eolseq shift, {name.removeprefix('shift-')}, SIMULATED station, invented product")
            for name, frame in pictures().items()}


def main(arguments: list[str]) -> None:
    """Write the pictures."""
    folder = Path(arguments[0]) if arguments else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in drawings().items():
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
