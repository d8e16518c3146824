"""How far the power that a product takes may differ from its rating, by rows of standards as they are printed."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import NamedTuple

from eolseq.bands.working import Source, Standing


class PowerClass(NamedTuple):
    """Up to a rated power (W; None: any): percent above and below, or so many watts above where that is more."""

    up_to: Decimal | None
    above: Decimal
    above_watts: Decimal = Decimal(0)
    below: Decimal | None = None

    def above_percent(self, rated: Decimal) -> Decimal:
        """The upper tolerance in percent of a rated power (W)."""
        return max(self.above, self.above_watts / rated * 100)


class InputRow(NamedTuple):
    """The classes of a row, lowest first, and where it stands."""

    classes: tuple[PowerClass, ...]
    source: Source

    def class_of(self, rated: Decimal) -> PowerClass:
        """The class that a rated power (W) falls in."""
        return next(each for each in self.classes if each.up_to is None or rated <= each.up_to)


def _class(up_to: int | None, above: int, above_watts: int = 0, below: int | None = None) -> PowerClass:
    return PowerClass(None if up_to is None else Decimal(up_to), Decimal(above), Decimal(above_watts),
                      None if below is None else Decimal(below))


INPUT_ROWS: Mapping[str, InputRow] = {
    "iec-60335-1-heating": InputRow(
        (_class(25, 20), _class(200, 10, below=10), _class(None, 5, 20, below=10)),
        Source("IEC 60335-1 10.1 Table 1, heating and combined appliances", Standing.FROM_MEMORY)),
    "iec-60335-1-motor": InputRow(
        (_class(300, 20), _class(None, 15, 60)),
        Source("IEC 60335-1 10.1 Table 1, motor-operated appliances", Standing.FROM_MEMORY)),
    "ul-1026-heating": InputRow(
        (_class(None, 5),), Source("UL 1026 31.1 and 31.2, at most 105 % of the marked rating",
                                   Standing.SECOND_HAND)),
}
"""Row -> how far the input may differ. A row without a lower tolerance limits the power on one side only."""
