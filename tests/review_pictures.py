"""Draw the manual's pictures of what a lead watches: ``python tests/review_pictures.py [FOLDER]``.

A log of an invented line is written in virtual time and watched by what watches a real one.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from eolseq.commands.watching import Watched  # noqa: E402
from eolseq.errors import EolseqError  # noqa: E402
from eolseq.screen.frame import Frame  # noqa: E402
from eolseq.screen.watch_draw import draw_doubt, draw_watch  # noqa: E402
from tests.pictures import svg  # noqa: E402
from tests.review.lines import Did, Line  # noqa: E402

FOLDER = ROOT / "eolseq" / "manual" / "pictures"
EARTH = {"step": "Earth path to every metal part", "kind": "ground_continuity"}
WIDTH, HEIGHT = 80, 24
TAKT = 30.0


def one(outcome: str, bay: int = 1, **more: object) -> Did:
    """A simulated run at a bay."""
    return Did(outcome, bay=f"bay-{bay}", mode="simulated", model="DH-6", **more)  # type: ignore[arg-type]


def pictures() -> dict[str, Frame]:
    """Every picture by name."""
    with tempfile.TemporaryDirectory() as folder:
        line = Line(Path(folder), "simulated station")
        with line.log:
            return _taken(line)


def _taken(line: Line) -> dict[str, Frame]:
    for bay in ("bay-1", "bay-2"):
        line.shift("begin", bay)
    for number in range(24):
        if number == 12:
            line.did(one("stopped", 1, sentence="The guard was opened. Close it.", after=150.0))
        line.all([one("pass"), one("fail" if number % 9 == 4 else "pass", 2, **EARTH)])
    line.all([one("open", serial="DH6-00000049", after=0)])
    line.clock.sleep(14)
    line.log.checkpoint()
    watched = Watched(line.base / "records", TAKT, line.clock)

    def take() -> Frame:
        return draw_watch(watched.look(), line.clock.now(), WIDTH, HEIGHT)

    found = {"review-watch": take()}
    line.did(one("fault", 2, sentence="The voltage source did not answer within 500 ms. Call maintenance.", after=760.0))
    found["review-down"] = take()
    log = line.base / "records" / "log.jsonl"
    os.truncate(log, log.stat().st_size - 700)
    try:
        watched.look()
    except EolseqError as error:
        where = type(error)(error.what.replace(str(line.base), "").replace("/records", "records"), error.do)
        found["review-doubt"] = draw_doubt(where, WIDTH, 14)
    return found


def svgs() -> dict[str, str]:
    """The files of the manual, by name."""
    return {name: svg(frame, "eolseq review --watch, SIMULATED station, invented products")
            for name, frame in pictures().items()}


def main(arguments: list[str]) -> None:
    """Write them."""
    folder = Path(arguments[0]) if arguments else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in svgs().items():
        (folder / f"{name}.svg").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
