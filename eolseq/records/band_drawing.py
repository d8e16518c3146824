"""A reading drawn inside its acceptance band, as a line with two posts and a mark; black on white."""

from __future__ import annotations

from typing import Any

from reportlab.platypus import Flowable

from eolseq.records.filing import Mark

_HEIGHT = 14.0  # points
_POST, _TICK = 4.0, 3.0


class BandDrawing(Flowable):
    """The band as a thick line between its posts, what was measured as a diamond inside or a cross outside.

    What was applied is a bar from its lowest to its highest. A thin bar shows the uncertainty. An arrow at the edge
    says that it lies off the drawing; a missing number has no mark.
    """

    def __init__(self, mark: Mark, width: float) -> None:
        super().__init__()
        self.mark = mark
        self.width, self.height = width, _HEIGHT

    def wrap(self, aW: float, aH: float) -> tuple[float, float]:
        """The room it takes, in points."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw on the canvas."""
        canvas: Any = self.canv
        middle = self.height / 2
        posts = [self._at(limit) for limit in (self.mark.low, self.mark.high) if limit is not None]
        canvas.setStrokeGray(0.65)
        canvas.setLineWidth(0.5)
        canvas.setDash(1, 1.5)
        canvas.line(0, middle, self.width, middle)
        canvas.setDash()
        if not posts:
            return
        canvas.setStrokeGray(0)
        canvas.setLineWidth(1.6)
        left = posts[0] if self.mark.low is not None else 0
        right = posts[-1] if self.mark.high is not None else self.width
        canvas.line(left, middle, right, middle)
        for post in posts:
            canvas.line(post, middle - _POST, post, middle + _POST)
        self._marks(canvas, middle)

    def _marks(self, canvas: Any, middle: float) -> None:
        mark = self.mark
        if mark.above:
            self._arrow(canvas, self.width, middle, 1)
        if not mark.values:
            return
        lowest, highest = min(mark.values), max(mark.values)
        if mark.half:
            canvas.setLineWidth(0.6)
            ends = [self._at(lowest - mark.half), self._at(highest + mark.half)]
            canvas.line(ends[0], middle + _TICK + 2, ends[1], middle + _TICK + 2)
            for end in ends:
                canvas.line(end, middle + _TICK + 1, end, middle + _TICK + 3)
        bar = self._at(highest) - self._at(lowest) >= 2
        if bar:
            canvas.setLineWidth(5)
            canvas.line(self._at(lowest), middle, self._at(highest), middle)
        for value in sorted({lowest, highest}):
            self._one(canvas, value, middle, small=bar)

    def _one(self, canvas: Any, value: float, middle: float, small: bool) -> None:
        mark, at = self.mark, self._at(value)
        low, high = (None if limit is None else self._at(limit) for limit in (mark.low, mark.high))
        below = mark.low is not None and value < mark.low
        inside = not below and (mark.high is None or value <= mark.high)
        if low is not None:  # never on a post: which side of it the mark is must be plain to see
            at = min(at, low - 2 * _TICK) if below else max(at, low + _TICK)
        if high is not None and not below:
            at = min(at, high - _TICK) if inside else max(at, high + 2 * _TICK)
        canvas.setLineWidth(1.2)
        left, right = self._ends()
        if not left <= value <= right:
            self._arrow(canvas, at, middle, -1 if value < left else 1)
        elif not inside:
            canvas.line(at - _TICK, middle - _TICK, at + _TICK, middle + _TICK)
            canvas.line(at - _TICK, middle + _TICK, at + _TICK, middle - _TICK)
        elif not small:
            path = canvas.beginPath()
            for step, (x, y) in enumerate(((0, _POST), (_TICK, 0), (0, -_POST), (-_TICK, 0))):
                (path.lineTo if step else path.moveTo)(at + x, middle + y)
            path.close()
            canvas.setFillGray(0)
            canvas.drawPath(path, stroke=0, fill=1)

    def _arrow(self, canvas: Any, at: float, middle: float, way: int) -> None:
        """Two chevrons at an edge, pointing out."""
        canvas.setLineWidth(1.2)
        edge = min(max(at, 1), self.width - 1)
        for back in (0, 3):
            tip = edge - way * back
            canvas.line(tip - way * 3, middle + 3, tip, middle)
            canvas.line(tip - way * 3, middle - 3, tip, middle)

    def _at(self, value: float) -> float:
        """How far from the left a number stands, in points, kept on the drawing."""
        low, high = self._ends()
        return min(self.width, max(0.0, (value - low) / (high - low) * self.width))

    def _ends(self) -> tuple[float, float]:
        """The numbers at the left and right edge: a third beyond each limit, or from zero where there is one limit."""
        low, high = self.mark.low, self.mark.high
        if low is None and high is None:
            return 0.0, 1.0
        if low is None or high is None:
            only = low if low is not None else high or 0.0
            size = abs(only) or 1.0
            if low is None:
                return only - 1.1 * size, only + size / 3
            return only - size / 3, max([only + size, *(value + abs(value) / 8 for value in self.mark.values)])
        span = high - low or abs(high) or 1.0
        return low - span / 3, high + span / 3
