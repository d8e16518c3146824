"""What a measuring input makes of a true value: gain error, noise, resolution, and faults to be had by name."""

from __future__ import annotations

import math
from random import Random

from eolseq.simulation.grammar import nr3

_FINE = 1e-4
"""Resolutions below this are written with an exponent (NR3), others with as many decimals as they have (NR2, NR1)."""


class Meter:
    """One measuring input. A sound one stays within its accuracy: half of it as gain error at most, the rest noise.

    The gain error belongs to the instrument (its serial number); the noise is seeded anew for every unit, so that the
    same unit on the same station gives the same readings.
    """

    __slots__ = ("_decimals", "_gain", "_gauss", "accuracy", "drift", "noisy", "overloaded", "resolution", "seed")

    def __init__(self, seed: str, accuracy: float, resolution: float) -> None:
        self.seed = seed
        self.accuracy = accuracy      # part of the reading
        self.resolution = resolution  # in the reading's SI unit
        self._gain = 1.0 + Random(f"gain of {seed}").uniform(-0.5, 0.5) * accuracy
        self._gauss = Random(seed).gauss
        self._decimals: dict[float, int] = {}
        self.drift = 1.0
        self.noisy = 1.0
        self.overloaded = False

    def seed_noise(self, serial: str) -> None:
        """Begin the noise that belongs to a unit's serial."""
        self._gauss = Random(f"noise of {self.seed} at {serial}").gauss

    def read(self, true: float, coarser: float = 1.0) -> float:
        """The reading of a true value, on a range so many times coarser than the finest."""
        if self.overloaded:
            return float("inf")
        step = self.resolution * coarser
        noise = self._gauss(0.0, 1.0)
        noise = 3.0 if noise > 3.0 else -3.0 if noise < -3.0 else noise
        spread = ((true if true > 0.0 else -true) * self.accuracy * 0.08 + step * 0.15) * self.noisy
        return round((true * self._gain * self.drift + noise * spread) / step) * step + 0.0  # never -0

    def text(self, true: float, coarser: float = 1.0) -> str:
        """The reading of a true value as the instrument writes it, with no more digits than it resolves."""
        value = self.read(true, coarser)
        if not math.isfinite(value):
            return nr3(value)
        decimals = self._decimals.get(coarser)
        if decimals is None:
            decimals = self._decimals[coarser] = -math.floor(math.log10(self.resolution * coarser) + 1e-9)
        if self.resolution < _FINE and value:
            return nr3(value, max(1, decimals + math.floor(math.log10(abs(value)) + 1e-9)))
        return f"{value:.{decimals if decimals > 0 else 0}f}"
