"""What an instrument is held against: a certificate, or other instruments; and the band in which it must then read.

An instrument holds when its normalised error is at most 1: E_n = |x - ref| / sqrt(U^2 + U_ref^2), both U expanded with
k = 2 (ISO/IEC 17043 B.3 and ISO 13528; both from memory). That is the band ref - sqrt(...) to ref + sqrt(...).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_DOWN, Decimal
from statistics import median_low

from eolseq.bands.band import AcceptanceBand, Reading
from eolseq.bands.uncertainty import Span
from eolseq.quantity import Quantity

BASIS = "normalised error at most 1 (ISO/IEC 17043, ISO 13528; from memory)"
_COVERAGE = 2.0
_SQRT2 = math.sqrt(2.0)


@dataclass(frozen=True)
class Known:
    """A value that is held to be true, with its expanded uncertainty (k = 2), in base units, and where it is from."""

    value: float
    uncertainty: float
    source: str


def expanded(span: Span | None, value: float) -> float:
    """The expanded uncertainty (k = 2) of a reading in a range, in base units; 0 where no accuracy is stated.

    Without one an instrument has no allowance of its own: it must agree within what the reference is unsure by.
    """
    return 0.0 if span is None or not span.known else _COVERAGE * span.standard(Decimal(repr(value)))


def normalised_error(x: float, uncertainty: float, reference: Known) -> float:
    """E_n of a reading x with its expanded uncertainty against a reference; infinite where neither has any."""
    both = math.hypot(uncertainty, reference.uncertainty)
    off = abs(x - reference.value)
    return off / both if both else (0.0 if off == 0.0 else math.inf)


def band_around(reference: Known, uncertainty: float, unit: str) -> AcceptanceBand:
    """The band that readings with a normalised error of at most 1 lie in; rounded inwards."""
    half = math.hypot(uncertainty, reference.uncertainty)
    low, high = reference.value - half, reference.value + half
    step = Decimal(1).scaleb(math.floor(math.log10(half)) - 3 if half else -12)
    inner = [(Decimal(repr(low)) / step).to_integral_value("ROUND_CEILING") * step,
             (Decimal(repr(high)) / step).to_integral_value("ROUND_FLOOR") * step]
    basis = f"{BASIS}; reference {reference.value:.6g} {unit}, U {reference.uncertainty:.3g} {unit}, " \
            f"{reference.source}; U of the instrument {uncertainty:.3g} {unit}"
    return AcceptanceBand(Quantity(inner[0], unit), Quantity(inner[1], unit), basis)


def middle(values: Sequence[tuple[str, float, float]]) -> Known | None:
    """The middle one of what at least three instruments read (name, value, expanded uncertainty); None of fewer.

    One of three that has drifted is never the middle one, so it stands alone.
    """
    if len(values) < 3:
        return None
    at = median_low([each[1] for each in values])
    name, value, uncertainty = next(each for each in values if each[1] == at)
    others = ", ".join(each[0] for each in values)
    return Known(value, uncertainty, f"{name} as the middle one of {others}")


def rms(peak: Reading | None) -> float | None:
    """The rms volts of an alternating voltage whose crest was read; None where there is no number."""
    return None if peak is None or peak.base is None else float(peak.base) / _SQRT2


def current_through(volts: Known, ohms: Known) -> Known:
    """The current in A that volts drive through a known load, with its uncertainty."""
    amps = volts.value / ohms.value
    parts = (volts.uncertainty / volts.value, ohms.uncertainty / ohms.value)
    return Known(amps, amps * math.hypot(*parts), f"{volts.source}, through {ohms.source}")


def power_in(volts: Known, ohms: Known) -> Known:
    """The power in W that volts turn into heat in a known load, with its uncertainty."""
    watts = volts.value ** 2 / ohms.value
    parts = (2 * volts.uncertainty / volts.value, ohms.uncertainty / ohms.value)
    return Known(watts, watts * math.hypot(*parts), f"{volts.source}, into {ohms.source}")


def to_step(value: float, step: str) -> Decimal:
    """A value rounded down to a step, such as the smallest that a limit is set by."""
    return (Decimal(repr(value)) / Decimal(step)).to_integral_value(ROUND_DOWN) * Decimal(step)
