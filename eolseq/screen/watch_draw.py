"""The picture that a lead watches: yield and pace in large letters, what is down and since when, what to look at.

No colour: those belong to safety. What is down is inverse and large.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from eolseq.errors import EolseqError
from eolseq.review.present import BayNow, Glance, LockedNow, State
from eolseq.review.times import time_words
from eolseq.review.words import (
    FAILED,
    FEW,
    HOURS,
    LOST,
    bay_rows,
    failure_rows,
    looks,
    nothing,
    percent,
    quiet_words,
    sections,
    share_words,
    stop_rows,
)
from eolseq.review.words import Row as Told
from eolseq.screen.draw import labelled, wrapped
from eolseq.screen.frame import Frame, Row, columns, ends, fit
from eolseq.screen.letters import drawable, tall
from eolseq.screen.words import SIMULATED, clean

BESIDE = 118
"""Columns from which the lists stand beside the line, not below it."""
WIDEST = 160
_LEFT = 32  # columns of the yield in 80
_LOOKS = 3  # rows of a thing to look at
_HOURS = 8  # the last ones
_OTHERS = 3  # rows of a list beside the line that is not one of the two that matter most
_STRIPS_FROM = 22  # rows
_RECENT = 3  # times between units, fewer than which say nothing of the pace now
_QUIET = 3  # takts without a unit, after which that is shown in bold


def draw_watch(glance: Glance, now: datetime, width: int, height: int) -> Frame:
    """Draw the line at a time (UTC) in so many columns and rows."""
    width = max(20, min(width, WIDEST))
    foot = _foot(glance, width)
    if width < BESIDE:
        rows = [*_line(glance, now, width, height), *_looks(glance, width), *_quiet(glance, width),
                *_lists(glance, width)]
    else:
        left = width // 2
        one = _line(glance, now, left, height)
        other = [*_looks(glance, width - left - 2, 6), *_lists(glance, width - left - 2, 6)]
        one += _more(glance, left, height - len(one) - len(foot))
        other += _others(glance, width - left - 2)
        rows = _beside(one, other, left, width)
    rows = rows[:height - len(foot)]
    rows += [[(" " * width, "")]] * (height - len(foot) - len(rows))
    return Frame([*rows, *foot], width)


def draw_doubt(error: EolseqError, width: int, height: int) -> Frame:
    """The log is not what it was: nothing else is shown, since no figure of it can be trusted."""
    width = max(20, min(width, WIDEST))
    rows = [*_inverse("LOG IN DOUBT", width), [(" " * width, "")],
            *labelled("WHY", clean(error.what), width, 6), *labelled("DO NOW", clean(error.do), width, 6)]
    return Frame([*rows, *[[(" " * width, "")]] * (height - len(rows))][:height], width)


def down_words(glance: Glance, now: datetime) -> tuple[str, str] | None:
    """What is down: in two or three large words, and in a sentence that says since when and why; None if nothing is."""
    locked = glance.present.locked
    if locked is not None:
        return f"LOCKED {_minutes(locked.since, now)}", _locked_sentence(locked, glance)
    down = sorted((each for each in glance.present.bays if each.state is State.DOWN), key=lambda each: each.since)
    if not down:
        return None
    sentence = "; ".join(f"{each.bay} since {glance.plant.clock(each.since)}: {each.words}" for each in down)
    which = f"{len(down)} DOWN" if len(down) > 1 else "DOWN"
    return f"{which} {_minutes(down[0].since, now)}", sentence


def pace_words(glance: Glance, now: datetime) -> str:
    """How the line stands against its takt, in large words."""
    ahead = glance.ahead(now)
    if ahead is None:
        return ""
    return f"{-ahead} BEHIND" if ahead < 0 else f"{ahead} AHEAD" if ahead else "IN TAKT"


def _line(glance: Glance, now: datetime, width: int, height: int) -> list[Row]:
    left = min(_LEFT, width // 2)
    share, pace = glance.review.first_pass, pace_words(glance, now) or "-"
    head = ends(f" {clean(glance.review.log.origin.rpartition('/')[0])}  {_shift(glance, now)}",
                f"{SIMULATED if glance.review.log.simulated else ''} {glance.plant.clock(now)} ", width)
    few = share.of < FEW
    rows: list[Row] = [[(head, "bold")], [(fit(" first pass" if few else " first pass %", left), ""),
                                          (fit(_takt(glance), width - left), "")]]
    large = f"{share.number} OF {share.of}" if few else percent(share.value).rstrip(" %").lstrip("<>")
    large = large if share.of else "-"
    if not _fits(pace, width - left):
        pace = f"{'-' if 'BEHIND' in pace else ''}{pace.split()[0]}"
    rows += _side(_large(large, left), _large(pace, width - left), left)
    rows.append([(fit(f" {share_words(share)}, 95 %" if share.of else " no unit yet", width), "")])
    rows += _down(glance, now, width, height)
    return [*rows, *(_bay(each, glance, now, width) for each in glance.present.bays)]


def _shift(glance: Glance, now: datetime) -> str:
    present = glance.present
    if present.began is None:
        return f"{glance.review.window}, no shift"
    if present.ended is not None:
        return f"SHIFT OVER since {glance.plant.clock(present.ended)}"
    over = glance.break_now(now)
    if over is not None:
        return f"BREAK until {glance.plant.clock(over)}"
    return f"shift for {time_words(_seconds(present.began, now))}"


def _takt(glance: Glance) -> str:
    pace = glance.review.pace
    if pace.takt is None:
        return "pace: no takt stated"
    recent = "" if pace.recent.mean is None or pace.recent.number < _RECENT else \
        f"; last {pace.recent.number} every {time_words(pace.recent.mean)}"
    return f"takt {time_words(pace.takt)}{recent}"


def _down(glance: Glance, now: datetime, width: int, height: int) -> list[Row]:
    """What is down, large; nothing where all runs. Inverse letters need strips around them to be read from afar."""
    down = down_words(glance, now)
    if down is None:
        return [[(" " * width, "")]]
    rows = _inverse(down[0], width) if height >= _STRIPS_FROM else _large(down[0], width)
    return [*rows, *([(fit(f" {line}", width), "bold")] for line in wrapped(clean(down[1]), width - 2, 2))]


def _bay(each: BayNow, glance: Glance, now: datetime, width: int) -> Row:
    lasting, takt = _seconds(each.since, now), glance.review.pace.takt
    worked = lasting - (glance.plant.rest(each.since, now) if each.state is State.WAITING else 0.0)
    long = each.state in (State.WAITING, State.TESTING) and takt is not None and worked > _QUIET * takt
    words = f" {clean(each.bay)}  {str(each.state).upper() if each.state is State.DOWN else each.state} " \
            f"{time_words(lasting)}  {clean(each.words)}"
    share = next((share for name, share in glance.review.by_bay if name == each.bay), None)
    behind = f"{share.number} of {share.of} first pass " if share is not None and len(glance.present.bays) > 1 else ""
    return [(ends(words, behind, width), "inverse" if each.state is State.DOWN else "bold" if long else "")]


def _looks(glance: Glance, width: int, most: int = 2) -> list[Row]:
    found = looks(glance.review)
    if not found:
        return [[(fit(f" {nothing(glance.review)}", width), "quiet")]]
    rows: list[Row] = []
    for each in found[:most]:
        rows += labelled("LOOK", clean(each), width, _LOOKS)
    if len(found) > most:
        rows.append([(fit(f"        and {len(found) - most} more: eolseq review --shift", width), "quiet")])
    return rows


def _lists(glance: Glance, width: int, most: int = 3) -> list[Row]:
    """Where units fail, and what the stops that are over have cost; one that goes on stands above."""
    over = replace(glance.review, stops=tuple(each for each in glance.review.stops if each.lost))
    return [*_list("not passed at", failure_rows(over), width, most), *_list("time lost", stop_rows(over), width, most)]


def _quiet(glance: Glance, width: int) -> list[Row]:
    words = quiet_words(glance.review)
    return [[(fit(f" {clean(words)}", width), "")]] if words else []


def _more(glance: Glance, width: int, room: int) -> list[Row]:
    """Below the line, where there is room: yields by model, and by bay with how long runs take and what was lost."""
    review = glance.review
    models = [Told("", f"{name}: {share_words(share)}") for name, share in review.by_model]
    bays = [Told("", f"{name}: {said}") for name, _, said in bay_rows(review)]
    rows = [[(" " * width, "")], *_sentences("first pass by model", models, width),
            *_sentences("first pass by bay", bays, width)]
    return rows if len(rows) <= room else []


def _others(glance: Glance, width: int) -> list[Row]:
    """Every list of the review that does not stand above, as far down as the screen has rows."""
    rows: list[Row] = []
    for title, told in sections(glance.review):
        if title not in (FAILED, LOST):
            rows += _sentences(title, told[-_HOURS:] if title == HOURS else told[:_OTHERS], width)
    return rows


def _sentences(title: str, rows: list[Told], width: int) -> list[Row]:
    """A list whose words go on in a second row and third where they must."""
    found: list[Row] = [[(fit(f" {title}", width), "bold")]] if rows else []
    for each in rows:
        head = f" {each.figure:>10}  " if each.figure else "   "
        lines = wrapped(clean(each.words), width - columns(head), _LOOKS)
        heads = [head, *[" " * columns(head)] * len(lines)]
        found += [[(fit(f"{begins}{line}", width), "")] for begins, line in zip(heads, lines, strict=False)]
    return found


def _list(title: str, rows: list[Told], width: int, most: int) -> list[Row]:
    if not rows:
        return []
    return [[(fit(f" {title}", width), "bold")],
            *([(fit(f" {each.figure:>10}  {clean(each.words)}", width), "")] for each in rows[:most])]


def _foot(glance: Glance, width: int) -> list[Row]:
    log = glance.review.log
    read = "" if glance.last is None else f"last entry {glance.plant.clock(glance.last, seconds=True)} "
    return [[(ends(f" log: {log.size} entries, root {log.root[:16]}", read, width), "quiet")]]


def _fits(text: str, width: int) -> bool:
    return drawable(text) and bool(tall(text, width - 2))


def _inverse(text: str, width: int) -> list[Row]:
    strip: Row = [(" " * width, "inverse")]
    return [strip, *([(words, "inverse")] for ((words, _),) in _large(text, width)), strip]


def _large(text: str, width: int) -> list[Row]:
    lines = tall(text, width - 2) if _fits(text, width) else ("", "", text, "", "")
    return [[(fit(f" {line}", width), "bold")] for line in lines]


def _side(one: list[Row], other: list[Row], left: int) -> list[Row]:
    return [[(fit(row[0][0], left), row[0][1]), *more] for row, more in zip(one, other, strict=True)]


def _beside(one: list[Row], other: list[Row], left: int, width: int) -> list[Row]:
    count = max(len(one), len(other))
    one = [*one, *[[(" " * left, "")]] * (count - len(one))]
    other = [*other, *[[(" " * (width - left - 2), "")]] * (count - len(other))]
    return [[*row, ("  ", ""), *more] for row, more in zip(one, other, strict=True)]


def _locked_sentence(locked: LockedNow, glance: Glance) -> str:
    return f"the station, since {glance.plant.clock(locked.since)}: {locked.reason} {locked.do}"


def _minutes(since: datetime, now: datetime) -> str:
    """A time in large letters."""
    minutes = int(_seconds(since, now) // 60)
    return f"{minutes} MIN" if minutes < 100 else f"{minutes // 60} H"


def _seconds(since: datetime, now: datetime) -> float:
    return max(0.0, (now - since).total_seconds())
