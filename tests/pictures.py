"""Draw the README's picture, and others, from the real screen: ``python tests/pictures.py [FOLDER]``.

Without a folder only the picture that the README shows is written, as SVG. With one, every picture of the story goes
there as SVG, text, and PNG where librsvg's converter is installed.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from html import escape
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT))

from rich.terminal_theme import TerminalTheme  # noqa: E402

from eolseq.bands.band import Outcome  # noqa: E402
from eolseq.engine.cautions import STANDARD  # noqa: E402
from eolseq.engine.events import Cautions, Event, RunEnds, SafetyState, StepEnds  # noqa: E402
from eolseq.screen.draw import caution_rows, draw  # noqa: E402
from eolseq.screen.frame import COLOURED as STYLES  # noqa: E402
from eolseq.screen.frame import Frame, columns  # noqa: E402
from eolseq.screen.model import RunView  # noqa: E402
from tests.screen.story import FAILED, story  # noqa: E402

README_PICTURE = ROOT / "eolseq" / "manual" / "pictures" / "run.svg"
# Red and green are ISO 3864 safety colours as commonly rendered; the rest is light on dark.
THEME = TerminalTheme((18, 18, 18), (232, 232, 232), [
    (0, 0, 0), (200, 16, 24), (0, 135, 80), (200, 160, 0), (0, 80, 180), (140, 60, 140), (0, 130, 140),
    (210, 210, 210)], [
    (90, 90, 90), (240, 60, 60), (40, 190, 120), (250, 220, 60), (60, 140, 240), (190, 110, 190), (60, 190, 200),
    (255, 255, 255)])


BACKGROUND, INK = "#121212", "#e8e8e8"
CELL_WIDE, CELL_HIGH = 10, 20
BLOCKS = {"█": (0, 20), "▀": (0, 10), "▄": (10, 10)}


def after(events: list[Event], width: int = 80, height: int = 24) -> Frame:
    """The picture after some events, one tenth of a second apart."""
    view, now = RunView(), 0.0
    for event in events:
        now += 0.1
        view.tell(event, now)
    return draw(view, now, width, height)


def svg(frame: Frame, title: str) -> str:
    """The picture with every cell in its place: block characters as rectangles, words as text of a set length."""
    height = CELL_HIGH * len(frame.rows)
    size = f'width="{frame.width * CELL_WIDE + 20}" height="{height + 20}"'
    parts = [f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img">', f"<title>{escape(title)}</title>",
             f'<rect {size} rx="6" fill="{BACKGROUND}"/>', '<g transform="translate(10 10)" font-size="16.61" '
             'font-family="DejaVu Sans Mono, Liberation Mono, monospace">']
    for number, row in enumerate(frame.rows):
        column = 0
        for text, name in row:
            parts += span(text, name, column * CELL_WIDE, number * CELL_HIGH)
            column += columns(text)
    return "\n".join([*parts, "</g></svg>", ""])


def span(text: str, name: str, left: int, top: int) -> Iterator[str]:
    """One span's background, blocks and words; the text must be one column a character."""
    style = STYLES[name]
    paper, ink = [part.get_truecolor(THEME, ground).hex if part else default
                  for part, ground, default in ((style.bgcolor, False, None), (style.color, True, INK))]
    if style.reverse:
        paper, ink = ink, paper or BACKGROUND
    if paper:
        yield box(left, top, len(text) * CELL_WIDE, CELL_HIGH, paper)
    look = f'fill="{ink}"' + (' font-weight="bold"' if style.bold else "") + (' opacity="0.6"' if style.dim else "")
    for found in re.finditer(r"[█▀▄]+|[^\s█▀▄]+", text):
        x = left + found.start() * CELL_WIDE
        if found[0][0] in BLOCKS:
            for i, c in enumerate(found[0]):
                yield box(x + i * CELL_WIDE, top + BLOCKS[c][0], CELL_WIDE, BLOCKS[c][1], ink)
        else:
            yield (f'<text x="{x}" y="{top + 15}" {look} textLength="{len(found[0]) * CELL_WIDE}" '
                   f'lengthAdjust="spacingAndGlyphs">{escape(found[0])}</text>')


def box(left: int, top: int, width: int, height: int, fill: str) -> str:
    """A rectangle without seams."""
    return (f'<rect x="{left}" y="{top}" width="{width}" height="{height}" fill="{fill}" '
            'shape-rendering="crispEdges"/>')


def pictures() -> dict[str, Frame]:
    """Every picture by name."""
    good, bad = list(story()), list(story(FAILED))
    energised = next(i for i, e in enumerate(good) if getattr(e, "index", None) == 4) + 6
    closing = next(i for i, e in enumerate(good) if isinstance(e, SafetyState) and e.state == "guarded")
    others = {f"end-{outcome.value}": after([*bad[:-3], SafetyState("judged", False, False, True, False),
                                             StepEnds(4, outcome, "the voltage source did not answer in 500 ms"),
                                             RunEnds(outcome, "Leave the unit in place, keep out, and call maintenance.",
                                                     "records/demo.log", 42)])
              for outcome in (Outcome.UNDECIDED, Outcome.STOPPED, Outcome.FAULT)}
    refused = RunEnds(Outcome.REFUSED, "Close the guard within 60 s of being asked, then start again.", None, None)
    return {"run": after(good[:energised]), "closing": after(good[:closing]), "first": after(good[:2]),
            "end-pass": after(good), "end-fail": after(bad), **others, "end-refused": after([*good[:6], refused]),
            "cautions": Frame(caution_rows(Cautions(STANDARD, ("The element plate has sharp edges. Wear gloves.",)),
                                           80, simulated=True), 80)}


def readme_svg() -> str:
    """The picture that the README shows."""
    return svg(pictures()["run"], "eolseq run, SIMULATED station, invented product")


def main(arguments: list[str]) -> None:
    """Write the pictures."""
    found = pictures()
    README_PICTURE.parent.mkdir(parents=True, exist_ok=True)
    README_PICTURE.write_text(readme_svg(), encoding="utf-8")
    converter = shutil.which("rsvg-convert")
    for folder in map(Path, arguments):
        folder.mkdir(parents=True, exist_ok=True)
        for name, frame in found.items():
            (folder / f"{name}.txt").write_text(frame.text() + "\n", encoding="utf-8")
            (folder / f"{name}.svg").write_text(svg(frame, name), encoding="utf-8")
            if converter:
                subprocess.run([converter, str(folder / f"{name}.svg"), "-o", str(folder / f"{name}.png")], check=True)


if __name__ == "__main__":
    main(sys.argv[1:])
