"""A reading drawn as a mark on a text scale of its acceptance band.

``┣━━━◆━━┫`` is the band with a reading inside; ``╳`` is a reading outside, always beyond the post it passed, hollow
(``◇``) while it is still being taken and nothing is decided; ``»`` and ``«`` say that it lies off the scale. A missing
number has no mark, but "above range" has its two arrows.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal

from eolseq.bands.band import ABOVE_RANGE, BELOW_RANGE, AcceptanceBand, Reading
from eolseq.quantity import UNITS

INSIDE, OUTSIDE, NOT_YET = "◆", "╳", "◇"
SMALLEST = 9  # columns: two posts, one place between them, and three on each side


@dataclass(frozen=True, slots=True)
class BandMark:
    """The scale as text, the mark's column (None: no mark), and whether the mark is inside (None: no mark)."""

    text: str
    column: int | None
    inside: bool | None


@dataclass(frozen=True, slots=True)
class _Scale:
    """Where the posts stand (-1 or width: none) and the numbers, in base units, at the ends of the band as drawn."""

    width: int
    low_post: int
    high_post: int
    low: float
    high: float


def band_mark(reading: Reading | None, band: AcceptanceBand, width: int, *, outside: str = OUTSIDE) -> BandMark:
    """Draw a reading inside or outside its band, in ``width`` columns; nothing in fewer than SMALLEST.

    ``outside`` is the mark of a reading outside: NOT_YET while it is being taken.
    """
    if width < SMALLEST:
        return BandMark(" " * max(0, width), None, None)
    scale = _scale(band, width)
    track = _track(scale)
    if reading is None or not _comparable(reading, band):
        return BandMark("".join(track), None, None)
    if reading.value is None:
        return _special(reading.special, band, track)
    return _marked(reading.value * UNITS[reading.unit][1], band, scale, track, outside)


def _comparable(reading: Reading, band: AcceptanceBand) -> bool:
    if reading.value is None:
        return True
    if not reading.value.is_finite() or reading.unit not in UNITS:
        return False
    dimension = UNITS[reading.unit][0]
    limits = [limit for limit in (band.at_least, band.at_most) if limit is not None]
    return bool(limits) and all(limit.dimension == dimension for limit in limits)


def _scale(band: AcceptanceBand, width: int) -> _Scale:
    beyond = max(3, width // 5)
    low = None if band.at_least is None else float(band.at_least.base)
    high = None if band.at_most is None else float(band.at_most.base)
    if low is None and high is None:
        return _Scale(width, -1, width, 0.0, 1.0)
    if high is None:
        low = low or 0.0
        return _Scale(width, beyond, width, low, low + (abs(low) or 1.0))
    if low is None:  # from zero where that makes sense
        return _Scale(width, -1, width - 1 - beyond, min(0.0, high - (abs(high) or 1.0)) if high <= 0 else 0.0, high)
    return _Scale(width, beyond, width - 1 - beyond, low, high)


def _track(scale: _Scale) -> list[str]:
    track = ["━"] * scale.width
    if scale.low_post >= 0:
        track[:scale.low_post] = "╌" * scale.low_post
        track[scale.low_post] = "┣"
    if scale.high_post < scale.width:
        track[scale.high_post:] = "┫" + "╌" * (scale.width - scale.high_post - 1)
    return track


def _special(special: str, band: AcceptanceBand, track: list[str]) -> BandMark:
    if special == ABOVE_RANGE and band.at_most is not None:
        track[-2:] = "»»"
        return BandMark("".join(track), len(track) - 1, False)
    if special == BELOW_RANGE and band.at_least is not None:
        track[:2] = "««"
        return BandMark("".join(track), 0, False)
    return BandMark("".join(track), None, None)


def _marked(value: Decimal, band: AcceptanceBand, scale: _Scale, track: list[str], mark: str) -> BandMark:
    share = _share(float(value), scale)
    first, last = scale.low_post + 1, scale.high_post - 1
    # The exact numbers say which side of a post; the float only says how far.
    if band.at_least is not None and value < band.at_least.base:
        return _beyond(track, max(0, scale.low_post - 1 - int(-share * (last - first + 1))), (0, "«"), -share, mark)
    if band.at_most is not None and value > band.at_most.base:
        end = scale.width - 1
        column = min(end, scale.high_post + 1 + int((share - 1) * (last - first + 1)))
        return _beyond(track, column, (end, "»"), share - 1, mark)
    column = min(last, max(first, first + round(share * (last - first))))
    track[column] = INSIDE
    return BandMark("".join(track), column, True)


def _share(value: float, scale: _Scale) -> float:
    """How far along the band, 0 to 1; never wildly large, so that it can be turned into columns."""
    span = scale.high - scale.low
    if span <= 0:
        span = abs(scale.high) or 1.0
        return 0.5 if value == scale.low else max(-9.0, min(10.0, (value - scale.low) / span + (value > scale.low)))
    return max(-9.0, min(10.0, (value - scale.low) / span))


def _beyond(track: list[str], column: int, off: tuple[int, str], distance: float, mark: str) -> BandMark:
    end, arrow = off
    if column == end and distance > 0:
        track[end] = arrow
        column = end + 1 if end == 0 else end - 1
    track[column] = mark
    return BandMark("".join(track), column, False)
