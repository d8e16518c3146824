"""The times of a review for people: when it was in the plant's time, how long, and what the takt asked for. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from eolseq.review.hours import Hour
from eolseq.review.review import Review
from eolseq.station.plant_time import UTC_TIME


def time_words(seconds: float) -> str:
    """A time for people."""
    whole = round(seconds)
    return f"{seconds:.1f} s" if seconds < 59.95 else f"{whole // 60} min {whole % 60:02} s" if whole < 3600 else \
        f"{whole // 3600} h {whole % 3600 // 60:02} min"


def stamp(review: Review, time: str) -> str:
    """A time of an entry as the plant's clocks showed it, with the zone's name."""
    return review.plant.stamp(datetime.fromisoformat(time))


def from_to(review: Review) -> str:
    """When the first and the last unit began; what both times have in common is said once."""
    if review.began is None:
        return "never"
    first, last = stamp(review, review.began.first), stamp(review, review.began.last)
    zone = "" if review.plant == UTC_TIME else f" ({review.plant.zone})"
    (day, _, name), (last_day, time, last_name) = first.split(), last.split()
    begins = first if name != last_name else first.removesuffix(f" {name}")
    return f"{begins} to {f'{time} {last_name}' if (day, name) == (last_day, last_name) else last}{zone}"


def tested(review: Review) -> int:
    """How many runs have ended, as the technician's screen counts units."""
    return sum(review.outcomes.values())


def behind(review: Review) -> str:
    """How the line stood against its takt, in two words; empty where no takt, or no shift, says what it asks for."""
    if review.asked is None:
        return ""
    ahead = tested(review) - review.asked
    return f"{-ahead} behind" if ahead < 0 else f"{ahead} ahead" if ahead else "in takt"


def takt_words(review: Review) -> str:
    """What the takt asks for in the time of the shift, and what was tested."""
    lasted, takt = time_words(review.available.seconds), time_words(review.pace.takt or 0.0)
    return f"tested {tested(review)} in {lasted}; the takt of {takt} asks for {review.asked}: {behind(review)}"


def hour_words(review: Review, hour: Hour) -> str:
    """What was tested in an hour, of what the takt asked for in the part of it that was there."""
    takt = review.pace.takt
    asked = f" of {hour.available / takt:.0f} asked for" if takt is not None and hour.available else ""
    return f"{hour.tested} tested{asked}, {hour.passed} passed"


def breaks_words(review: Review) -> Iterator[str]:
    """Which breaks were taken out of which figures, where a station has any."""
    if review.available.taken or review.available.tested:
        worked = f"; {time_words(review.available.tested)} more was under test in them and counts" \
            if review.available.tested else ""
        yield (f"breaks {', '.join(review.local.breaks)}: {time_words(review.available.taken)} taken out of pace and "
               f"lost time{worked}")
