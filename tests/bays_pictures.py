"""Draw the manual's pictures of several bays, from a shift at the simulated station: ``python tests/bays_pictures.py``.

Each situation is reached in virtual time as technicians reach it. A folder may be named to write them to.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from eolseq.commands.shift_bays import BaysAtWork, look_back_at_bays  # noqa: E402
from eolseq.engine.events import Live, StepBegins  # noqa: E402
from eolseq.line.scans import read_scan  # noqa: E402
from eolseq.line.shift_events import Situation, Tick, UnitOver  # noqa: E402
from eolseq.screen.bays_draw import draw_bays  # noqa: E402
from eolseq.screen.bays_model import BaysView  # noqa: E402
from eolseq.screen.frame import Frame  # noqa: E402
from eolseq.screen.words import safety_words  # noqa: E402
from tests.bays_rig import BaysRig  # noqa: E402
from tests.pictures import svg  # noqa: E402
from tests.rig import SEQUENCE  # noqa: E402

FOLDER = ROOT / "eolseq" / "manual" / "pictures"
When = Callable[[str, Any, BaysView], bool]
SIZES = {"bays-wide": (160, 45), "bays-tall": (120, 40)}
SIGN_IN = ((1.0, "op-07"), (3.0, "op-07"))
Script = tuple[tuple[float, str], ...]


def plate(number: int) -> str:
    """A rating plate as it is scanned."""
    return f"PLATE DH-6 DH6-{number:08d}"


class Hall:
    """A station of several bays, a person who scans by a script, and a camera that looks at every event."""

    def __init__(self, rig: BaysRig, wanted: Mapping[str, When], defects: Mapping[str, str] | None = None) -> None:
        self.rig, self.wanted = rig, dict(wanted)
        self.view = BaysView.of(rig.station.bays)
        self.taken: dict[str, Frame] = {}
        self.also: Callable[[str, Any], None] = lambda bay, event: None
        self.past = look_back_at_bays(rig.station, (SEQUENCE,), self.tell)
        self.work = BaysAtWork(rig.clock, rig.opened, rig.pages, rig.log, (SEQUENCE,), self.tell, rig.hall.obey,
                               defects)

    def tell(self, bay: str, event: Any) -> None:
        """Take an event in, and a picture of what it shows for the first time."""
        now = self.rig.clock.monotonic()
        self.view.tell(bay, event, now)
        for name, when in self.wanted.items():
            if name not in self.taken and when(bay, event, self.view):
                self.taken[name] = draw_bays(self.view, now, *SIZES.get(name, (80, 24)))
        self.also(bay, event)

    def run(self, script: Script) -> None:
        """A shift in which these codes are scanned, each so many seconds after the one before."""
        def person() -> None:
            for seconds, text in script:
                self.rig.clock.sleep(seconds)
                found = read_scan(text.encode())
                if found is not None:
                    self.work.board.put(found)
            self.work.board.close()
        self.rig.clock.start("person", person)
        self.work.run(self.past)


def all_in(situation: Situation) -> When:
    """A moment without anything new while every bay is in a situation."""
    return lambda bay, event, view: type(event) is Tick and all(
        each.situation is situation for each in view.bays.values())


def note(word: str) -> When:
    """A moment in which a bay has a note of a word."""
    return lambda bay, event, view: type(event) is Tick and any(
        each.note is not None and each.note.word == word for each in view.bays.values())


def _busy(bay: str, event: Any, view: BaysView) -> bool:
    """A withstand test holds at one bay, another waits for the tester, all test."""
    return (isinstance(event, Live) and event.phase == "holding" and event.index == 4
            and all(each.testing for each in view.bays.values()) and safety_words(view.bays[bay].safety).danger
            and view.busy is not None and bool(view.busy.waiting))


def _outcomes(bay: str, event: Any, view: BaysView) -> bool:
    return type(event) is Tick and all(each.over is not None and not each.testing for each in view.bays.values())


def _units(number: int, bay: int, count: int, apart: float) -> Script:
    """A unit scanned at each of so many bays, the bay's code first."""
    return tuple(each for k in range(count)
                 for each in ((apart, f"bay-{bay + k}"), (apart, plate(number + k))))


def _day(folder: Path) -> dict[str, Frame]:
    """Sign in, cautions, waiting, which bay, four tests at once, and four outcomes."""
    with BaysRig(folder, 4) as rig:
        hall = Hall(rig, {"bays-sign-in": all_in(Situation.SIGN_IN), "bays-cautions": all_in(Situation.CAUTIONS),
                          "bays-waiting": all_in(Situation.WAITING), "bays-which": note("WHICH BAY"),
                          "bays-running": _busy, "bays-wide": _busy, "bays-tall": _busy, "bays-outcomes": _outcomes},
                    {"DH6-00000002": "wrong-element"})

        def also(bay: str, event: Any) -> None:
            if isinstance(event, StepBegins) and event.index == 4 and bay == "bay-3":
                rig.hall.bays[bay].press_stop()
            elif isinstance(event, StepBegins) and event.index == 5 and bay == "bay-4":
                rig.hall.set_fault("silent", "power")
            elif isinstance(event, UnitOver) and bay == "bay-3":
                rig.hall.bays[bay].press_stop(False)
        hall.also = also
        hall.run((*SIGN_IN, (4.0, plate(1)), (4.0, "bay-1"), (0.5, plate(1)), *_units(2, 2, 3, apart=0.5), (90.0, "=end")))
    return hall.taken


def _two(folder: Path) -> dict[str, Frame]:
    """Two bays: one tests while the other one's unit is changed."""
    with BaysRig(folder, 2) as rig:
        hall = Hall(rig, {"bays-two": lambda bay, event, view: isinstance(event, Live) and event.phase == "holding"
                          and event.index == 4 and bay == "bay-2" and view.bays["bay-1"].over is not None})
        hall.run((*SIGN_IN, (3.0, "bay-1"), (1.0, plate(1)), (9.0, "bay-2"), (1.0, plate(2)), (60.0, "=end")))
    return hall.taken


def _locked(folder: Path) -> dict[str, Frame]:
    """The unit of one bay cannot be shown to be dead: no bay tests anything more, and the screen says which it is."""
    with BaysRig(folder, 4) as rig:
        hall = Hall(rig, {"bays-locked": all_in(Situation.LOCKED)})

        def also(bay: str, event: Any) -> None:
            if isinstance(event, Live) and event.index == 4:
                rig.hall.set_fault("silent", "residual-2")
        hall.also = also
        hall.run((*SIGN_IN, (3.0, "bay-2"), (1.0, plate(1)), (90.0, "=end")))
    return hall.taken


def _out_of_use(folder: Path) -> dict[str, Frame]:
    """The guard unit of one bay does not answer from the start: that bay is out of use, and its neighbours test."""
    rig = BaysRig(folder, 4)
    rig.hall.set_fault("silent", "guard-2")
    with rig:
        hall = Hall(rig, {"bays-out-of-use": lambda bay, event, view: isinstance(event, Live) and event.index == 4
                          and event.phase == "holding" and all(view.bays[name].testing for name in ("bay-1", "bay-3"))})
        hall.run((*SIGN_IN, *_units(1, 1, 1, apart=1.0), *_units(3, 3, 1, apart=1.0), (60.0, "=end")))
    return hall.taken


def _after_cut(folder: Path) -> dict[str, Frame]:
    """Started again after the power failed while two bays tested: before the outputs are proved off, and after."""
    with BaysRig(folder, 3) as rig:
        rig.schedule({"bay-1": ["DH6-00000001"], "bay-3": ["DH6-00000002"]})
        rig.clock.sleep(3.0)  # the power fails
        rig.log.close()
        view = BaysView.of(rig.station.bays)
        look_back_at_bays(rig.station, (SEQUENCE,), lambda bay, event: view.tell(bay, event, 0.0))
        return {"bays-power-cut": draw_bays(view, 0.0, 80, 24)}


def pictures() -> dict[str, Frame]:
    """Every picture by name."""
    taken: dict[str, Frame] = {}
    for make in (_day, _two, _locked, _out_of_use, _after_cut):
        with tempfile.TemporaryDirectory() as folder:
            taken |= make(Path(folder))
    return taken


def drawings() -> dict[str, str]:
    """Every picture as SVG, by the name of its file."""
    return {f"{name}.svg": svg(frame, f"eolseq shift at several bays, {name.removeprefix('bays-')}, SIMULATED station, "
                               "invented product") for name, frame in pictures().items()}


def main(arguments: list[str]) -> None:
    """Write the pictures."""
    folder = Path(arguments[0]) if arguments else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in drawings().items():
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
