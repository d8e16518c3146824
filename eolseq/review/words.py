"""A review in lines of at most 78 letters: what wants somebody to look comes first, then the figures. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping
from typing import NamedTuple

from eolseq.quantity import counted
from eolseq.review.chance import Share
from eolseq.review.chance import share as share_of
from eolseq.review.drift import Drift
from eolseq.review.pace import Times
from eolseq.review.review import Review
from eolseq.review.silence import Silence
from eolseq.review.stops import Stop
from eolseq.review.times import breaks_words, from_to, hour_words, stamp, takt_words, time_words

WIDTH = 78
FAILED, LOST = "not passed at", "time lost from a stop to the next unit at its bay"
MEANS = "means that moved most inside their bands"
HOURS, DAY = "hour by hour", 24
"""A list that is said whole, where it is no longer than a day."""
_MOVED = 0.0005  # of the band; a mean that moved less is said to have moved by 0.0 %
MOST = 5
"""Rows of a list on the screen; the document (--json) has all."""


NO_SHARE = share_of(0, 0)


class Row(NamedTuple):
    """A row of a list: a figure, which may be empty, and words."""

    figure: str
    words: str


FEW = 10
"""Units; a percentage of fewer says too much in large letters, so a count stands there."""


def percent(value: float) -> str:
    """A share for people; what is not all or nothing is never rounded to it."""
    if 0 < value < 0.0005 or 0.9995 <= value < 1:
        return "<0.1 %" if value < 0.5 else ">99.9 %"
    return f"{value * 100:.1f} %"


def share_words(share: Share) -> str:
    """A share with its interval."""
    if not share.of:
        return "no unit"
    return f"{share.number} of {share.of} = {percent(share.value)} ({percent(share.low)} to {percent(share.high)})"


def chance_words(chance: float) -> str:
    """A probability for people."""
    return "below 1 in 1,000,000" if chance < 1e-6 else f"1 in {1 / chance:,.0f}" if chance < 0.1 else percent(chance)


def looks(review: Review) -> list[str]:
    """What wants somebody to look, each a sentence that says at what; empty when there is nothing."""
    found = [silence_words(each) for each in review.silences if each.told]
    found += [f"{each.bays[0]} and {each.bays[1]} differ with {each.model}, {share_words(each.yields[0])} against "
              f"{share_words(each.yields[1])}; by chance {chance_words(each.chance)}. Look at fixture and leads of the "
              "bay with less." for each in review.unlike if each.told]
    found += [drift_words(each) + " Look at fixture, instrument and parts." for each in review.drifts if each.told]
    if review.challenge is not None and review.challenge.outcome != "pass":
        found.append(f"The last challenge (entry {review.challenge.entry}) was not passed. Ask maintenance.")
    return found


def nothing(review: Review) -> str:
    """What is said when nothing wants a look: of no unit nothing can be said."""
    return "Nothing stands out: what differs may be chance, or is too small to matter." if review.first_pass.of else \
        "No unit had its first verdict here, so nothing can be said of the line."


def silence_words(each: Silence) -> str:
    """How long a withstand tester has rejected nothing, and what that is worth."""
    said = f"Withstand tester {each.tester}: no reject in {each.units} {'unit' if each.units == 1 else 'units'}"
    if each.chance is None:
        return f"{said}, and none ever in this log; only reference units show that it can."
    end = " Show it its reference units." if each.told else ""
    if each.beside is not None:
        rejects, units = each.beside
        return (f"{said}, and none ever in this log, where other testers rejected {rejects} of {units}; "
                f"by chance {chance_words(each.chance)}.{end}")
    if not each.units:
        return f"Withstand tester {each.tester}: its last unit was a reject; {each.rejects} of {each.before} in all."
    return f"{said}; {each.rejects} rejected of the {each.before} before; by chance {chance_words(each.chance)}.{end}"


def quiet_words(review: Review) -> str:
    """In one row what a lead wants to know even where nothing stands out: silence of testers, no fault found."""
    said = []
    if review.silences:
        longest = max(review.silences, key=lambda each: each.units)
        said.append(f"no withstand reject in {counted(longest.units, 'unit')}"
                    + (f" ({longest.tester})" if len(review.silences) > 1 else ""))
    again = sum(each.number for each in review.no_fault_found)
    if again:
        said.append(f"{counted(again, 'reject')} passed later with nothing changed")
    return "; ".join(said)


def drift_words(each: Drift) -> str:
    """How far the mean of a series moved inside its band."""
    series = each.series
    return (f"{series.model}, {series.step}, {series.reading}, {series.bay}: mean from {each.before:.4g} to "
            f"{each.after:.4g} {series.unit}, {each.share * 100:+.1f} % of the band, in {each.number} units and the "
            f"{each.number} after them; by chance {chance_words(each.chance)}.")


def lines(review: Review) -> list[str]:
    """The whole review for a screen."""
    said = [*_head(review), *_looks(review)]
    said += _rows("first pass by model", _yields(review.by_model))
    said += _rows("first pass by bay", [Row("", f"{name}: {said}") for name, _, said in bay_rows(review)], 8)
    for title, rows in sections(review):
        said += _rows(title, rows, DAY if title == HOURS else MOST)
    return [*said, *_foot(review)]


def brief(review: Review) -> list[str]:
    """The review for the end of a shift, in few lines: the yield, what to look at, the worst of each kind."""
    quiet = quiet_words(review)
    return [*_head(review), *(_wrap(quiet) if quiet else []), *_looks(review),
            *_rows("not passed at", failure_rows(review), 3), *_rows("time lost", stop_rows(review), 3), *_foot(review)]


def facts(review: Review) -> list[str]:
    """What was looked at, and what was left out."""
    said = [_outcomes(review)]
    if review.began is not None:
        said.append(f"units begun from {from_to(review)}")
    said += [takt_words(review)] if review.asked is not None else []
    said += breaks_words(review)
    if review.taken_back:
        said.append(f"passes taken back later: {review.taken_back}; the yield still has them, since their verdict "
                    "was true when it was given")
    return said + ([f"left out: {_counted(review.left_out)}"] if review.left_out else [])


def _head(review: Review) -> list[str]:
    mark = "SIMULATED: says nothing about a real line. " if review.log.simulated else ""
    first, *others = facts(review)
    said = _wrap(f"{mark}Review of {review.window}: {first}")
    for each in others:
        said += _wrap(each)
    return said + _wrap(f"first pass  {share_words(review.first_pass)}; intervals are 95 %", "            ")


def _yields(rows: Iterable[tuple[str, Share]]) -> list[Row]:
    return [Row("", f"{name}: {share_words(each)}") for name, each in rows]


def _outcomes(review: Review) -> str:
    said = _counted(review.outcomes) or "no run ended"
    more = f", {review.still_open} still open" if review.still_open else ""
    return f"{said}{more}{f', {sum(count for _, count in review.refused)} refused' if review.refused else ''}"


def _counted(counts: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {word}" for word, count in counts.items())


def _looks(review: Review) -> Iterator[str]:
    found = looks(review)
    yield ""
    yield "LOOK AT THIS" if found else nothing(review)
    for each in found[:2 * MOST]:
        yield from _wrap(f"! {each}", "  ")
    if len(found) > 2 * MOST:
        yield f"  and {len(found) - 2 * MOST} more"


def sections(review: Review) -> Iterator[tuple[str, list[Row]]]:
    """Every list of a review but the yields, those first that a lead asks for first; its title and its rows."""
    yield "locked", [_stop(each, each.reason) for each in review.locks]
    yield "pace", [Row("", each) for each in _pace(review)]
    if 2 <= len(review.hours) <= DAY:
        yield HOURS, [Row(each.local, hour_words(review, each)) for each in review.hours]
    yield FAILED, failure_rows(review)
    yield "withstand testers", [Row("", silence_words(each)) for each in review.silences]
    if review.challenge is not None:
        outcome, time, index = review.challenge
        yield "reference units", [Row("", f"last challenge {stamp(review, time)}, entry {index}: {outcome}")]
    yield LOST, stop_rows(review)
    yield "passed later with nothing changed (no fault found)", [
        Row(str(each.number), f"{each.model}: {each.step}") for each in review.no_fault_found]
    yield "passed later with nothing changed, by whom and where", [
        Row(str(count), f"of {passes} passes: {who} at {bay}") for who, bay, count, passes in review.retests if count]
    yield "refused before the start", [Row(str(count), reason) for reason, count in review.refused]
    yield MEANS, [Row("", drift_words(each)) for each in review.drifts if each.told or abs(each.share) >= _MOVED]


def failure_rows(review: Review) -> list[Row]:
    """Where runs did not pass, most of them first."""
    return [Row(str(each.number), f"of {each.of} runs, {each.model}: {each.step}") for each in review.failures]


def bay_rows(review: Review) -> list[tuple[str, Share, str]]:
    """Each bay, its first-pass yield, and in words that, how long its runs take, and the time lost there."""
    yields, lost = dict(review.by_bay), {each.bay: each for each in review.stops_by_bay}
    rows = []
    for bay in sorted({*yields, *lost}):
        share, cycle, stop = yields.get(bay, NO_SHARE), review.pace.by_bay.get(bay), lost.get(bay)
        said = [share_words(share)]
        if cycle is not None and cycle.middle is not None:
            said.append(f"{time_words(cycle.middle)} a run")
        if stop is not None:
            stops = f"{stop.number} {'stop' if stop.number == 1 else 'stops'}"
            known = stop.number > stop.unfollowed
            said.append(f"{time_words(stop.lost)} lost in {stops}" if known else f"{stops}, time lost not known")
        rows.append((bay, share, "; ".join(said)))
    return rows


def stop_rows(review: Review) -> list[Row]:
    """Time lost by reason; where there are several bays, each names its own."""
    several = len(review.by_bay) > 1 or len(review.stops_by_bay) > 1
    return [_stop(each, f"{each.bay}: {each.reason}" if several else each.reason) for each in review.stops]


def _stop(each: Stop, what: str) -> Row:
    open_end = f", {each.unfollowed} not followed by a unit" if each.unfollowed else ""
    lost = time_words(each.lost) if each.number > each.unfollowed else "unknown"
    return Row(lost, f"{each.number} {'time' if each.number == 1 else 'times'}{open_end}: {what}")


def _pace(review: Review) -> Iterator[str]:
    pace = review.pace
    if pace.cycle.number:
        yield f"begin to end {_times(pace.cycle)}"
    takt = "no takt stated" if pace.takt is None else f"takt {time_words(pace.takt)}"
    if pace.whole.mean is not None and len(pace.by_bay) > 1:  # bays begin in bursts: single times say little
        yield f"begin to begin {time_words(pace.whole.mean)} on average over {pace.whole.number} times; {takt}"
    elif pace.between.number:
        kept = "" if pace.takt is None else f", kept {pace.in_takt} of {pace.between.number} times"
        yield f"begin to begin {_times(pace.between)}; {takt}{kept}"


def _times(each: Times) -> str:
    if each.middle is None or each.short is None or each.long is None:
        return "none"
    return f"{time_words(each.middle)} (eight in ten {time_words(each.short)} to {time_words(each.long)})"


def _foot(review: Review) -> Iterator[str]:
    log = review.log
    yield ""
    yield from _wrap(f"log {log.origin}, {log.size} entries, root {log.root}", "    ")


def _rows(title: str, rows: list[Row], most: int = MOST) -> Iterator[str]:
    if rows:
        yield ""
        yield title
        for figure, said in rows[:most]:
            yield from _wrap(f"  {figure:>12}  {said}" if figure else f"  {said}", " " * (16 if figure else 4))
        if len(rows) > most:
            yield f"  and {len(rows) - most} more"


def _wrap(text: str, then: str = "  ") -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=then, break_on_hyphens=False) or [""]
