"""The three energising instruments: withstand tester, continuity tester, power source."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from eolseq.simulation.instrument import Call, CommandError, Handler, nr1, nr2, nr3, taking
from eolseq.simulation.roles.base import RoleInstrument
from eolseq.simulation.source import Source

TRIPPED = 1 << 1
"""Bit of the questionable condition register: the current limit switched the output off."""

LONGEST_DWELL = 1000.0
"""Seconds that one point of a list may last at most."""


class SourceInstrument(RoleInstrument):
    """What the three have in common: mode, level, list, output, start and abort."""

    has_faults: Mapping[str, str] = {
        "stuck": "its output stays on after OFF, and it says so",
        "stuck-silent": "its output stays on after OFF, and it says that it is off",
    }
    key = ""
    gives = "voltage"
    keyword = "VOLTage"
    unit = "V"
    most = 0.0

    def prepare(self) -> None:
        """Make the output stage."""
        self.source = Source(self.key, self.data.name, self.world, self.data.serial, self.data.accuracy[self.gives])
        self.world.sources[self.key] = self.source
        self.source.look = lambda: self.wire.look()

    def commands(self) -> Mapping[str, Handler]:
        """The commands of any of the three, and its own."""
        root, source = f"[SOURce]:{self.keyword}", self.source
        level = f"{root}[:LEVel][:IMMediate][:AMPLitude]"
        return {
            f"{root}:MODE": taking(1, 1, self._set_mode),
            f"{root}:MODE?": taking(0, 0, lambda _: "LIST" if source.listed else "FIX"),
            level: taking(1, 1, self._set_level),
            f"{level}?": taking(0, 0, lambda _: nr3(source.level)),
            f"[SOURce]:LIST:{self.keyword}": taking(1, 100, self._set_points),
            "[SOURce]:LIST:DWELl": taking(1, 100, self._set_dwells),
            "OUTPut[:STATe]": taking(1, 1, self._set_output),
            "OUTPut[:STATe]?": taking(0, 0, self._output),
            "INITiate[:IMMediate]": taking(0, 0, lambda _: source.start()),
            "ABORt": taking(0, 0, self._abort),
            **self.own_commands(),
        }

    def own_commands(self) -> Mapping[str, Handler]:
        """The commands that only this one has."""
        return {}

    def operation(self) -> Callable[[], int]:
        """Rising, holding, falling."""
        return self.source.phase

    def questionable(self) -> Callable[[], int]:
        """Tripped, until the output is switched on again."""
        source = self.source
        return lambda: TRIPPED if source.tripped else 0

    def reset(self) -> None:
        """Output off, default settings."""
        self.source.switch_off()
        self.source.reset()

    def own_faults(self) -> Mapping[str, Callable[[float | None], None]]:
        """An output that sticks."""
        return {"stuck": lambda _: self.source.set_stuck("stuck"),
                "stuck-silent": lambda _: self.source.set_stuck("stuck-silent")}

    def clear_fault(self) -> None:
        """Make it sound again."""
        super().clear_fault()
        self.source.sag = 1.0
        self.source.set_stuck("")

    def measured(self, quantity: str, true: float) -> str:
        """A reading; a stuck output that hides it reads nothing."""
        source = self.source
        silent = source.stuck == "stuck-silent" and not source.commanded
        return self.meters[quantity].text(0.0 if silent else true)

    def change(self, action: Callable[[], None]) -> None:
        """Change a setting that acts at once on an output that is on."""
        if self.source.on:
            self.world.settle()
        action()
        if self.source.on:
            self.world.replan()

    def _overload(self, number: float | None) -> None:
        self.change(lambda: setattr(self.source, "sag", 0.7 if number is None else number))

    def _set_mode(self, call: Call) -> None:
        if self.source.commanded:
            raise CommandError(-221)
        self.source.listed = call.parameters[0].word({"FIXed": "fixed", "LIST": "list"}) == "list"

    def _set_level(self, call: Call) -> None:
        level = call.parameters[0].number(self.unit, least=0.0, most=self.most)
        self.change(lambda: setattr(self.source, "level", level))

    def _set_points(self, call: Call) -> None:
        self._not_running()
        self.source.points = tuple(each.number(self.unit, least=0.0, most=self.most) for each in call.parameters)

    def _set_dwells(self, call: Call) -> None:
        self._not_running()
        self.source.dwells = tuple(each.number("S", least=0.0, most=LONGEST_DWELL) for each in call.parameters)

    def _not_running(self) -> None:
        if self.source.started is not None:
            raise CommandError(-221)

    def _set_output(self, call: Call) -> None:
        if call.parameters[0].boolean():
            self.source.switch_on()
        else:
            self._abort(call)

    def _abort(self, _: Call) -> None:
        self.world.off_received(self.data.name)
        self.source.frozen = None
        self.source.switch_off()

    def _output(self, _: Call) -> str:
        source = self.source
        return nr1(source.commanded if source.stuck == "stuck-silent" else source.on)


class WithstandTester(SourceInstrument):
    """Alternating or direct test voltage with limits on total and in-phase current, and its own timing."""

    key = "withstand"
    measures = ("voltage", "current")
    most = 5000.0

    def own_commands(self) -> Mapping[str, Handler]:
        """Shape, frequency, limits, and what is measured."""
        return {
            "[SOURce]:FUNCtion[:SHAPe]": taking(1, 1, self._set_shape),
            "[SOURce]:FUNCtion[:SHAPe]?": taking(0, 0, lambda _: "SIN" if self.world.tester_hertz else "DC"),
            "[SOURce]:FREQuency": taking(1, 1, self._set_frequency),
            "CALCulate#:LIMit:UPPer[:DATA]": taking(1, 1, self._set_limit),
            "CALCulate#:LIMit:UPPer[:DATA]?": taking(0, 0, lambda call: nr3(self.upper[self._which(call)])),
            "CALCulate#:LIMit:STATe": taking(1, 1, self._set_limited),
            "CALCulate#:LIMit:STATe?": taking(0, 0, lambda call: nr1(self.limited[self._which(call)])),
            "CALCulate#:DATA?": taking(0, 0, lambda call: self.measured("current", self._current(self._which(call)))),
            "MEASure[:SCALar][:VOLTage]?": taking(0, 0, lambda _: self.measured("voltage", self._voltage())),
            "MEASure[:SCALar]:CURRent?": taking(0, 0, lambda _: self.measured("current", self._current(0))),
            "DIAGnostic:COUNt?": taking(0, 0, lambda _: nr1(self.source.tests)),
            "MEASure[:SCALar]:TINTerval?": taking(0, 0, lambda _: nr2(self.source.seconds_at_top(), 3)),
        }

    def prepare(self) -> None:
        """Make the output stage and the two limits."""
        super().prepare()
        self.hertz = 60.0
        self.upper = [5e-3, 5e-3]
        self.limited = [True, False]
        self._apply_limits()

    def reset(self) -> None:
        """Output off, 60 Hz, a limit of 5 mA on the total current."""
        super().reset()
        self.hertz = self.world.tester_hertz = 60.0
        self.upper = [5e-3, 5e-3]
        self.limited = [True, False]
        self._apply_limits()

    def _voltage(self) -> float:
        return self.source.frozen[0] if self.source.frozen else self.world.tester_volts()

    def _current(self, which: int) -> float:
        return self.source.frozen[1 + which] if self.source.frozen else self.world.tester_current()[which]

    def _which(self, call: Call) -> int:
        if call.suffixes[0] not in (1, 2):
            raise CommandError(-113)
        return call.suffixes[0] - 1

    def _set_shape(self, call: Call) -> None:
        if self.source.commanded:
            raise CommandError(-221)
        shape = call.parameters[0].word({"SINusoid": "ac", "DC": "dc"})
        self.world.tester_hertz = self.hertz if shape == "ac" else 0.0

    def _set_frequency(self, call: Call) -> None:
        self.hertz = call.parameters[0].number("HZ", least=40.0, most=70.0)
        if self.world.tester_hertz:
            self.change(lambda: setattr(self.world, "tester_hertz", self.hertz))

    def _set_limit(self, call: Call) -> None:
        which = self._which(call)
        self.upper[which] = call.parameters[0].number("A", least=0.0, most=0.1)
        self._apply_limits()

    def _set_limited(self, call: Call) -> None:
        self.limited[self._which(call)] = call.parameters[0].boolean()
        self._apply_limits()

    def _apply_limits(self) -> None:
        self.world.limits = [upper if limited else math.inf
                             for upper, limited in zip(self.upper, self.limited, strict=True)]
        if self.source.on:
            self.world.replan()


class ContinuityTester(SourceInstrument):
    """High current at low voltage through the earth path, sensed over four wires."""

    key = "continuity"
    measures = ("current", "resistance")
    gives = "current"
    keyword = "CURRent"
    unit = "A"
    most = 40.0

    def own_commands(self) -> Mapping[str, Handler]:
        """Open-circuit voltage, and what is measured."""
        return {
            "[SOURce]:VOLTage:PROTection[:LEVel]": taking(1, 1, self._set_open_volts),
            "[SOURce]:VOLTage:PROTection[:LEVel]?": taking(0, 0, lambda _: nr3(self.world.open_volts)),
            "MEASure[:SCALar]:CURRent[:AC]?": taking(0, 0, lambda _: self.measured("current", self.world.bond()[0])),
            "MEASure[:SCALar]:FRESistance?": taking(0, 0, self._resistance),
        }

    def _set_open_volts(self, call: Call) -> None:
        self.world.open_volts = call.parameters[0].number("V", least=1.0, most=12.0)

    def _resistance(self, _: Call) -> str:
        current, sensed = self.world.bond()
        if current < 0.01 * self.most:
            return nr3(math.inf)
        return self.measured("resistance", sensed / current)


class PowerSource(SourceInstrument):
    """Supply voltage for running the unit, with a current protection and a longest time on."""

    key = "power"
    measures = ("voltage", "frequency")
    has_faults: Mapping[str, str] = {
        **SourceInstrument.has_faults,
        "hertz-stuck": "its output stays at 60 Hz whatever is set, and it says what was set",
    }
    most = 300.0

    def own_commands(self) -> Mapping[str, Handler]:
        """Frequency, protection, and what is measured."""
        return {
            "[SOURce]:FREQuency": taking(1, 1, self._set_frequency),
            "[SOURce]:FREQuency?": taking(0, 0, lambda _: nr3(self.asked)),
            "[SOURce]:CURRent:PROTection[:LEVel]": taking(1, 1, self._set_protection),
            "[SOURce]:CURRent:PROTection[:LEVel]?": taking(0, 0, lambda _: nr3(self.world.protection)),
            "MEASure[:SCALar][:VOLTage][:AC]?": taking(
                0, 0, lambda _: self.measured("voltage", self.world.supply_volts())),
            "MEASure[:SCALar]:FREQuency?": taking(0, 0, self._frequency),
        }

    def prepare(self) -> None:
        """Make the output stage, protected at 16 A."""
        super().prepare()
        self.asked = 60.0  # Hz
        self._hertz_sticks = False
        self.world.protection = 16.0

    def reset(self) -> None:
        """Output off, 60 Hz, protection at 16 A."""
        super().reset()
        self.asked = self.world.hertz = 60.0
        self.world.protection = 16.0

    def own_faults(self) -> Mapping[str, Callable[[float | None], None]]:
        """A frequency that sticks, beside what any source can have."""
        return {**super().own_faults(), "hertz-stuck": lambda _: self._stick()}

    def _stick(self) -> None:
        self._hertz_sticks = True
        self.change(lambda: setattr(self.world, "hertz", 60.0))

    def clear_fault(self) -> None:
        """Make it sound again."""
        super().clear_fault()
        self._hertz_sticks = False
        self.change(lambda: setattr(self.world, "hertz", self.asked))

    def _set_frequency(self, call: Call) -> None:
        self.asked = call.parameters[0].number("HZ", least=40.0, most=70.0)
        if not self._hertz_sticks:
            self.change(lambda: setattr(self.world, "hertz", self.asked))

    def _set_protection(self, call: Call) -> None:
        amps = call.parameters[0].number("A", least=0.1, most=40.0)
        self.change(lambda: setattr(self.world, "protection", amps))

    def _frequency(self, _: Call) -> str:
        return self.measured("frequency", self.asked if self.world.supply_volts() > 1.0 else 0.0)
