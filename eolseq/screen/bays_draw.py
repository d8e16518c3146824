"""The picture of several bays: one frame for each, below each other or, on a wide screen, two beside two.

At the foot what did not fit into a frame, whole and in turn; which shared instruments are in use and for whom; then the
count of all bays. Where somebody reads cautions,
they take the middle and every bay keeps the head of its frame, with its lamps. No colour but safety's.
"""

from __future__ import annotations

from eolseq.line.bay_events import Busy
from eolseq.screen.bay_panel import LEAST, head, panel, state_word
from eolseq.screen.bays_model import BaysView
from eolseq.screen.draw import WIDEST, labelled
from eolseq.screen.frame import Frame, Row, columns, ends, fit
from eolseq.screen.pieces import Piece
from eolseq.screen.shift_draw import caution_pages, order_first
from eolseq.screen.turn import Page, instrument_pages, page_rows, pages_of
from eolseq.screen.words import SIMULATED, clean

NARROWEST = 72   # columns for the frame of a bay
_WIDE = 150      # columns from which on bays stand beside each other
_FOOT = 3        # rows: two for what was cut or for the instruments, one for the count


def fits(bays: int, width: int, height: int) -> bool:
    """Whether every bay has room for its frame."""
    return width >= NARROWEST and height >= 1 + LEAST * _deep(bays, width) + _FOOT


def draw_bays(view: BaysView, now: float, width: int, height: int) -> Frame:
    """Draw what is known at the monotonic time ``now`` in so many columns and rows."""
    across = 2 if width >= _WIDE else 1
    width = max(20, min(width, WIDEST * across))
    if view.reading:
        width = min(width, WIDEST)
        rows = _cautions(view, width, height)
    elif fits(len(view.bays), width, height):
        rows = _frames(view, now, width, height)
    else:
        rows = [*_heads(view, width), [(fit(" Too small a terminal for all bays: make it larger.", width), "bold")]]
    rows += [[(" " * width, "")] for _ in range(height - len(rows))]
    return Frame(rows[:height], width)


def caution_pages_of(bays: int, cautions: object, width: int, height: int, *, simulated: bool) -> list[list[Row]]:
    """The cautions in full, on as many pages as they need beside the heads of so many bays."""
    return caution_pages(cautions, width, height - bays - 2, simulated=simulated)  # type: ignore[arg-type]


def _deep(bays: int, width: int) -> int:
    return (bays + 1) // 2 if width >= _WIDE else bays


def _frames(view: BaysView, now: float, width: int, height: int) -> list[Row]:
    top = [_header(view, width)]
    names = list(view.bays)
    deep = _deep(len(names), width)
    room = height - len(top) - _FOOT
    high = [room // deep + (1 if row < room % deep else 0) for row in range(deep)]
    across = 2 if width >= _WIDE else 1
    wide = width if across == 1 else (width - 1) // 2
    panels = [panel(view.bays[name], name, now, wide, high[number // across]) for number, name in enumerate(names)]
    cut = dict(zip(names, (each.cut for each in panels), strict=True))
    foot = _foot(view, cut, now, width)
    if across == 1:
        return [*top, *(row for each in panels for row in each.rows), *foot]
    rest = " " * (width - 2 * wide)
    rows = list(top)
    for row, each in enumerate(high):
        pair = [one.rows for one in panels[2 * row:2 * row + 2]]
        if len(pair) == 1:
            pair.append([[(" " * wide, "")]] * each)
        rows += [[*one, (rest, ""), *two] for one, two in zip(*pair, strict=True)]
    return [*rows, *foot]


def _header(view: BaysView, width: int) -> Row:
    """The station, and who works at which bay."""
    mark = f"{SIMULATED}  " if view.simulated else ""
    return [(ends(f" {clean(view.station) or 'Before the shift'}", f"{mark}{_who(view)} ", width), "bold")]


def _who(view: BaysView) -> str:
    """Who works at which bay."""
    at: dict[str, list[str]] = {}
    for name, each in view.bays.items():
        stands = each.stands
        if stands is not None and stands.operator:
            at.setdefault(" with ".join((stands.operator, *stands.beside)), []).append(clean(name))
    everywhere = len(at) == 1 and len(next(iter(at.values()))) == len(view.bays)
    return "; ".join(f"{clean(person)} at {'all bays' if everywhere else ', '.join(names)}"
                     for person, names in at.items())


def _heads(view: BaysView, width: int) -> list[Row]:
    """One row a bay, with its lamps and its word."""
    rows = [_header(view, width)]
    for name, each in view.bays.items():
        word = f" {state_word(each)} "
        rows.append([*head(each, name, width - 20), (fit(word, 20), "bold")])
    return rows


def _cautions(view: BaysView, width: int, height: int) -> list[Row]:
    bays = view.reading
    first = view.bays[bays[0]]
    if first.reading is None or first.stands is None:
        return _heads(view, width)
    pages = caution_pages_of(len(view.bays), first.reading.cautions, width, height, simulated=view.simulated)
    names = ", ".join(clean(name) for name in bays)
    rows = [*_heads(view, width), [(fit(f" For {names}:", width), "inverse")],
            *pages[min(first.reading.page, len(pages) - 1)]]
    below = labelled("DO NOW", f"{names}: {first.stands.do}", width, 2)
    notes = [(name, view.bays[name].note) for name in bays if view.bays[name].note is not None]
    for name, note in notes[:1]:
        if note is not None:
            label = f"{clean(name)} {note.word}"
            below += labelled(label, order_first(note, width - columns(label) - 5, 2), width, 2)
    below.append(_typed(view, width))
    return [*rows, *([[(" " * width, "")]] * (height - len(rows) - len(below))), *below]


def _foot(view: BaysView, cut: dict[str, list[Piece]], now: float, width: int) -> list[Row]:
    """What was cut above, whole and in turn with the instruments in use; then the count, or what is typed."""
    last = _typed(view, width) if view.typing else _count(view, width)
    pages = pages_of(cut, width)
    if columns(_who(view)) + columns(SIMULATED) + 3 >= width:
        pages += pages_of({"people": [Piece("", _who(view))]}, width)
    used = instrument_pages(view.busy, width)
    if not pages and len(used) < 2:
        return [*_instruments(view.busy, used, width), last]
    return [*page_rows(view.turn.page([*pages, *used], now), width), last]


def _instruments(busy: Busy | None, used: list[Page], width: int) -> list[Row]:
    """Which instruments are in use by which bay, and who waits for them; then, where there is room, those free."""
    if busy is None:
        return [[(" " * width, "")], [(" " * width, "")]]
    taken = {name for name, _ in busy.held} | {name for _, names in busy.waiting for name in names}
    free = ", ".join(clean(name) for name in busy.shared if name not in taken)
    if used and used[0].lines[1]:
        return page_rows(used[0], width)
    none: Row = [(" instruments ", "inverse"), (fit(" nobody has one", width - 13), "bold")]
    return [page_rows(used[0], width)[0] if used else none, [(fit(f" free         {free or 'none'}", width), "")]]


def _count(view: BaysView, width: int) -> Row:
    tally = view.tally()
    rejected = sum(count for _, count in tally.rejects)
    total = tally.passed + rejected + tally.others
    words = f" all bays: tested {total}: {tally.passed} passed, {rejected} rejected, {tally.others} without a result"
    worst = max(tally.rejects, key=lambda each: each[1], default=None)
    right = f"most rejects: {worst[1]} at {clean(worst[0])} " if worst is not None else ""
    return [(ends(words, right, width) if columns(words) + columns(right) < width else fit(words, width), "")]


def _typed(view: BaysView, width: int) -> Row:
    return [(fit(f" typed: {clean(view.typing)}█" if view.typing else "", width), "bold")]
