"""The instruments that only measure: four-wire resistance, true rms current, power, airflow, residual voltage."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from eolseq.simulation.instrument import Call, CommandError, Handler, nr3, taking
from eolseq.simulation.roles.base import RoleInstrument
from eolseq.simulation.unit import AIR


class RangedMeter(RoleInstrument):
    """A meter whose range follows what is expected."""

    ranges: tuple[float, ...] = ()
    over_range = 1.2
    """A range reads up to so many times its nominal end."""

    def prepare(self) -> None:
        """Begin on the widest range."""
        self.range = self.ranges[-1]

    def reset(self) -> None:
        """Back to the widest range."""
        self.range = self.ranges[-1]

    def choose(self, expected: float) -> None:
        """Take the smallest range that covers what is expected; -222 above the widest."""
        fitting = [each for each in self.ranges if each >= expected]
        if not fitting or expected < 0.0:
            raise CommandError(-222)
        self.range = fitting[0]

    def reading(self, quantity: str, true: float) -> str:
        """A reading on the present range: +infinity above it, not-a-number when there is nothing to read."""
        if math.isnan(true) or true > self.range * self.over_range:
            return nr3(true if math.isnan(true) else math.inf)
        return self.meters[quantity].text(true, self.range / self.ranges[0])


class ResistanceMeter(RangedMeter):
    """Four-wire resistance between L and N."""

    measures = ("resistance",)
    ranges = (100.0, 1e4, 1e6, 1e7)

    def commands(self) -> Mapping[str, Handler]:
        """Range and reading."""
        return {
            "CONFigure[:SCALar]:FRESistance": taking(0, 1, self._configure),
            "READ[:FRESistance]?": taking(0, 0, self._read),
            "MEASure[:SCALar]:FRESistance?": taking(0, 1, self._measure),
        }

    def _configure(self, call: Call) -> None:
        self.choose(call.parameters[0].number("OHM", default=self.ranges[-1]) if call.parameters else self.ranges[-1])

    def _read(self, _: Call) -> str:
        return self.reading("resistance", self.world.ohms_line_to_neutral())

    def _measure(self, call: Call) -> str:
        self._configure(call)
        return self._read(call)


class CurrentMeter(RangedMeter):
    """True rms current from the power source to the unit."""

    measures = ("current",)
    ranges = (5.0, 50.0)
    over_range = 2.0

    def commands(self) -> Mapping[str, Handler]:
        """Range and reading."""
        return {
            "CONFigure[:SCALar]:CURRent:AC": taking(0, 1, self._configure),
            "READ[:CURRent][:AC]?": taking(0, 0, self._read),
            "MEASure[:SCALar]:CURRent:AC?": taking(0, 1, self._measure),
        }

    def _configure(self, call: Call) -> None:
        self.choose(call.parameters[0].number("A", default=self.ranges[-1]) if call.parameters else self.ranges[-1])

    def _read(self, _: Call) -> str:
        return self.reading("current", self.world.supply_amps())

    def _measure(self, call: Call) -> str:
        self._configure(call)
        return self._read(call)


class PowerMeter(RangedMeter):
    """Volts, amps and watts at the unit, all of one acquisition, which INITiate makes and FETCh? gives out.

    The range is of the watts; the other two have one range each.
    """

    measures = ("voltage", "current", "power")
    ranges = (5e3, 2e4)

    def prepare(self) -> None:
        """Begin on the widest range, with nothing acquired."""
        super().prepare()
        self._acquired: tuple[str, str, str] | None = None

    def reset(self) -> None:
        """Back to the widest range, with nothing acquired."""
        super().reset()
        self._acquired = None

    def commands(self) -> Mapping[str, Handler]:
        """Range, acquisition and its three readings."""
        return {
            "CONFigure[:SCALar]:POWer[:AC]": taking(0, 1, self._configure),
            "INITiate[:IMMediate]": taking(0, 0, self._acquire),
            "FETCh[:SCALar]:VOLTage[:AC]?": taking(0, 0, lambda _: self._of_last(0)),
            "FETCh[:SCALar]:CURRent[:AC]?": taking(0, 0, lambda _: self._of_last(1)),
            "FETCh[:SCALar]:POWer[:AC]?": taking(0, 0, lambda _: self._of_last(2)),
        }

    def _configure(self, call: Call) -> None:
        self.choose(call.parameters[0].number("W", default=self.ranges[-1]) if call.parameters else self.ranges[-1])
        self._acquired = None

    def _acquire(self, _: Call) -> None:
        volts, amps, watts = self.world.supply_at_unit()
        self._acquired = (self.meters["voltage"].text(volts), self.meters["current"].text(amps),
                          self.reading("power", watts))

    def _of_last(self, which: int) -> str:
        if self._acquired is None:
            raise CommandError(-230)
        return self._acquired[which]


class PressureMeter(RangedMeter):
    """A meter of pressure, which can go on giving the reading it had."""

    has_faults: Mapping[str, str] = {"reading-stuck": "its pressure stays at what it reads first, whatever comes after"}

    def prepare(self) -> None:
        """Begin on the widest range, sound."""
        super().prepare()
        self._sticks, self._stuck_at = False, ""

    def own_faults(self) -> Mapping[str, Callable[[float | None], None]]:
        """A reading that sticks."""
        return {"reading-stuck": lambda _: setattr(self, "_sticks", True)}

    def clear_fault(self) -> None:
        """Make it sound again."""
        super().clear_fault()
        self._sticks, self._stuck_at = False, ""

    def pressure(self, true: float) -> str:
        """The reading of a pressure, or the one that it sticks at."""
        if not self._sticks:
            return self.reading("pressure", true)
        self._stuck_at = self._stuck_at or self.reading("pressure", true)
        return self._stuck_at


class AirflowMeter(PressureMeter):
    """The pressure across the unit's fan, in Pa; below zero when the fan blows the wrong way."""

    measures = ("pressure",)
    ranges = (250.0, 2500.0)

    def commands(self) -> Mapping[str, Handler]:
        """Range and reading."""
        return {
            "CONFigure[:SCALar]:PRESsure": taking(0, 1, self._configure),
            "READ[:PRESsure]?": taking(0, 0, self._read),
            "MEASure[:SCALar]:PRESsure?": taking(0, 1, self._measure),
        }

    def _configure(self, call: Call) -> None:
        self.choose(call.parameters[0].number("PA", default=self.ranges[-1]) if call.parameters else self.ranges[-1])

    def _read(self, _: Call) -> str:
        pascals = self.world.fan_pressure()
        return nr3(-math.inf) if pascals < -self.range * self.over_range else self.pressure(pascals)

    def _measure(self, call: Call) -> str:
        self._configure(call)
        return self._read(call)


class PressureGauge(PressureMeter):
    """Pressure in the unit's coil above the air's, the air's own, and the coil's temperature, of one acquisition."""

    measures = ("pressure", "temperature")
    ranges = (1.6e6, 4e6)
    over_range = 1.05

    def prepare(self) -> None:
        """Begin on the widest range, with nothing acquired."""
        super().prepare()
        self._acquired: tuple[str, str, str] | None = None

    def reset(self) -> None:
        """Back to the widest range, with nothing acquired."""
        super().reset()
        self._acquired = None

    def commands(self) -> Mapping[str, Handler]:
        """Range, acquisition and its readings; channel 1 is the hose, 2 the barometer."""
        return {
            "CONFigure[:SCALar]:PRESsure": taking(0, 1, self._configure),
            "INITiate[:IMMediate]": taking(0, 0, self._acquire),
            "FETCh[:SCALar]:PRESsure?": taking(1, 1, self._pressure),
            "FETCh[:SCALar]:TEMPerature?": taking(0, 0, lambda _: self._of_last(2)),
        }

    def _configure(self, call: Call) -> None:
        self.choose(call.parameters[0].number("PA", default=self.ranges[-1]) if call.parameters else self.ranges[-1])
        self._acquired = None

    def _acquire(self, _: Call) -> None:
        self._acquired = (self.pressure(self.world.coil_gauge()), self.meters["pressure"].text(AIR),
                          self.meters["temperature"].text(self.world.coil_celsius()))

    def _pressure(self, call: Call) -> str:
        channels = set(call.parameters[0].channels())
        if len(channels) != 1 or not channels <= {1, 2}:
            raise CommandError(-222)
        return self._of_last(channels.pop() - 1)

    def _of_last(self, which: int) -> str:
        if self._acquired is None:
            raise CommandError(-230)
        return self._acquired[which]


class ResidualMeter(RoleInstrument):
    """The highest absolute voltage at the unit's terminals, between L, N and earth, be it led there by a tap."""

    measures = ("voltage",)

    def commands(self) -> Mapping[str, Handler]:
        """One reading."""
        return {"MEASure[:SCALar]:VOLTage:MAXimum?": taking(
            0, 0, lambda _: self.meters["voltage"].text(self.world.volts_at_meter()))}
