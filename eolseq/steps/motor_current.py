"""Motor current: the true rms current of a motor that has started and settled, with an early end for a locked rotor."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from eolseq.bands.band import ABOVE_RANGE, AcceptanceBand, Reading
from eolseq.bands.motor import SupplyRule, supply_rule
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Findings, Group, Item
from eolseq.steps.base import Applied, Bench, Connections, Evidence, Residual, Taken
from eolseq.steps.fields import (
    HERTZ,
    POSITIVE_AMPS,
    POSITIVE_VOLTS,
    RESIDUAL,
    applied_group,
    as_text,
    check_applied,
    check_band,
    check_connections,
    read_band,
    read_connections,
    read_residual,
    route_names,
    step_group,
)
from eolseq.steps.motor_control import CONTROL, Control, check_control, read_control
from eolseq.steps.motor_course import Course
from eolseq.steps.motor_turning import TURNING, Turning, check_turning, read_turning
from eolseq.steps.watching import Gathered, applied, gathering

if TYPE_CHECKING:
    pass

KIND = "motor_current"
_SWITCHING = 0.3   # seconds for relays, OFF, discharge and the proof of dead, for the expected time only
_BEYOND = Decimal(1)  # seconds that the source's own longest time on lies beyond what the step may need
_WINDOW = 3        # fewest readings from which a slope is taken
_MOMENTS = Amount("s", above=Decimal(0), at_most=Decimal(120))
_LIMITED = "the power source reached its current limit: short circuit or seized motor"

FIELDS = step_group(KIND, "A", {
    "volts": Field(POSITIVE_VOLTS, about="the supply voltage, such as '240 V'"),
    "hertz": Field(HERTZ, about="the supply frequency, such as '60 Hz'"),
    "current_limit": Field(POSITIVE_AMPS, about="the current at which the source ends the test at once"),
    "start": Field(Group({
        "within": Field(_MOMENTS, about="how long starting may take, such as '1 s'"),
        "at_most": Field(POSITIVE_AMPS, about="the current below which the motor has started"),
    }, "start"), about="by when the motor must have started; a locked rotor is cut off then"),
    "settled": Field(Group({
        "change": Field(Amount("%", above=Decimal(0), at_most=Decimal(20)), about="the greatest change, such as '1 %'"),
        "over": Field(_MOMENTS, about="over which time, such as '300 ms'"),
        "within": Field(_MOMENTS, about="how long settling may take"),
    }, "settled"), about="when the current counts as settled, by its slope"),
    "control": CONTROL,
    "turning": TURNING,
    "run_down": Field(_MOMENTS, about="how long the motor runs on after OFF"),
    "applied": applied_group(volts="V", hertz="Hz"),
    "residual": RESIDUAL,
})


@dataclass(frozen=True)
class MotorCurrent:
    """The settings of a motor current step; supply in V and Hz, currents in A, times in s, change in %."""

    name: str
    volts: Quantity
    hertz: Quantity
    current_limit: Quantity
    start_within: Quantity
    start_at_most: Quantity
    change: Quantity
    over: Quantity
    settled_within: Quantity
    run_down: Quantity
    band: AcceptanceBand
    applied_volts: AcceptanceBand
    applied_hertz: AcceptanceBand
    residual: Residual
    connections: Connections
    supply: SupplyRule | None = None
    control: Control | None = None
    turning: Turning | None = None
    kind: str = KIND

    def run(self, bench: Bench) -> Evidence:
        """Start the motor, wait until its current has settled, and take the readings."""
        meter = bench.instrument("current_meter")
        with gathering() as found, bench.connected("power", self.connections):
            meter.perform("prepare", expected=self.start_at_most)
            if self.turning is not None:
                self.turning.prepare(bench)
            with bench.energised("power_source", dict(self._settings()), residual=self.residual,
                                 run_down=self.run_down) as source:
                course = Course(bench, source, meter, self.band, self._running_seconds(), bench.clock.monotonic())
                found.so_far = lambda: self._excess(course)
                supplied = self._watch(course)
                turning, supplied = self._watch_turning(course, supplied)
                source.switch_off()
            self._judge_course(course, supplied, found)
            found.readings += [turning] if turning is not None else []
            found.take_residual(source, self.residual)
        return found.evidence()

    def _watch(self, course: Course) -> bool:
        """Watch the current until it has settled, or is known never to; whether the source supplied all along."""
        while course.look():
            since_on = course.samples[-1][0]
            if course.phase == "starting" and _within(course.last, self.start_at_most):
                course.phase = "settling"
            if course.phase == "starting" and since_on >= float(self.start_within):
                course.phase = "locked"
                return True
            if course.phase == "settling" and self._settled(course):
                course.phase = "settled"
            if course.phase == "settled" or (course.phase == "settling" and since_on >= self._longest()):
                return True
            course.wait()
        return False

    def _watch_turning(self, course: Course, supplied: bool) -> tuple[Taken | None, bool]:
        """Which way a fan that has settled turns, if that is asked for; and whether the source still supplies."""
        if self.turning is None:
            return None, supplied
        if course.phase != "settled" or not supplied:
            return self.turning.missing(), supplied
        return self.turning.watch(course.bench, course.look, course.wait)

    def _excess(self, course: Course) -> Taken | None:
        """The current of a locked or settled motor against the upper limit alone: an opened guard can only lower it."""
        limit = AcceptanceBand(None, self.band.at_most, self.band.basis)
        return Taken(course.last, limit) if course.phase in ("locked", "settled") else None

    def _judge_course(self, course: Course, supplied: bool, found: Gathered) -> None:
        if not supplied:
            limited = Reading("current", None, "A", course.last.raw, ABOVE_RANGE, course.last.time)
            found.take(limited, self.band, if_open=_LIMITED)
        else:
            found.take(course.last, self._band_at(course))
        if course.phase in ("settling", "settled") and supplied:
            found.applied.append(self._settling(course))
        found.applied.append(course.hold.applied("volts", "volts", self.applied_volts, "V"))
        found.applied.append(course.hold.applied("hertz", "hertz", self.applied_hertz, "Hz"))

    def _band_at(self, course: Course) -> AcceptanceBand:
        """The band as it holds at the volts measured, where the engineer states a rule and the motor has started."""
        volts = course.hold.last("volts", "V").base
        if self.supply is None or volts is None or volts <= 0 or course.phase == "locked":
            return self.band
        return self.supply.corrected(self.band, volts)

    def _settled(self, course: Course) -> bool:
        if course.samples[-1][0] < self._follows() + float(self.over):
            return False
        change = change_percent(course.samples, float(self.over))
        return change is not None and change <= self.change.value

    def _settling(self, course: Course) -> Applied:
        """The change over the window: outside its band the motor did not settle, which is no verdict on the motor."""
        change = change_percent(course.samples, float(self.over))
        special = "" if change is not None else "not a number"
        reading = Reading("change of current", change, "%", "computed", special, course.last.time)
        return applied("change of current", [reading], self._change_band(), "%")

    def _change_band(self) -> AcceptanceBand:
        return AcceptanceBand(None, self.change, f"settled: over {self.over}, within {self.settled_within}")

    def _longest(self) -> float:
        return float(self.start_within) + float(self.settled_within)

    def _follows(self) -> float:
        """How long after ON (s) the motor may still be following its control signal."""
        return float(self.control.settles_in) if self.control is not None else 0.0

    def _running_seconds(self) -> float:
        turning = float(self.turning.within) if self.turning is not None else 0.0
        return max(float(self.start_within), self._follows()) + 3 * float(self.over) + turning

    def seconds(self) -> float:
        """How long the step is expected to take."""
        closing = max((float(each.delay) for each in self.connections.closed), default=0.0)
        return self._running_seconds() + max(float(self.run_down), float(self.residual.after)) + closing + _SWITCHING

    def roles(self) -> tuple[str, ...]:
        """The roles of the instruments it needs."""
        more = self.turning.roles() if self.turning is not None else ()
        return ("power_source", "current_meter", *more, "residual_meter", "switching_unit")

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """The bands of the current, the turning and the residual voltage, then of what is applied and the settling."""
        turning = ((self.turning.name, self.turning.band),) if self.turning is not None else ()
        return (("current", self.band), *turning, ("residual voltage", self.residual.band),
                ("applied volts", self.applied_volts), ("applied hertz", self.applied_hertz),
                ("applied change of current", self._change_band()))

    def highest_volts(self) -> Quantity | None:
        """The supply voltage (rms)."""
        return self.volts

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """What the power source and the meters will be set to."""
        more = self.turning.settings() if self.turning is not None else ()
        return (("power_source", self._settings()), ("current_meter", {"expected": self.start_at_most}), *more)

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """The readings the instruments must have the range for."""
        more = self.turning.measures() if self.turning is not None else ()
        return (("current_meter", "current_rms", self.start_at_most), ("power_source", "volts", self.volts),
                ("power_source", "hertz", self.hertz), *more)

    def routes(self) -> tuple[str, ...]:
        """The station's connections it needs."""
        return route_names("route-power", self.connections)

    def settings_for_log(self) -> dict[str, str]:
        """The settings as text with units."""
        return as_text({**self._settings(), "start_within": self.start_within, "start_at_most": self.start_at_most,
                        "change": self.change, "over": self.over, "settled_within": self.settled_within,
                        "run_down": self.run_down, **self._told()})

    def _told(self) -> dict[str, object]:
        """The control signal, the rule for the supply and what shows the direction, where the file states them."""
        told: dict[str, object] = {}
        if self.control is not None:
            told = {"control": f"{self.control.signal} by {self.control.by}", "settles_in": self.control.settles_in}
        if self.supply is not None:
            told["supply_exponent"] = self.supply.exponent
        told |= self.turning.told() if self.turning is not None else {}
        return told

    def _settings(self) -> Mapping[str, Any]:
        turning = self.turning.within.base if self.turning is not None else Decimal(0)
        longest = Quantity(self.start_within.base + self.settled_within.base + turning + _BEYOND, "s")
        return {"volts": self.volts, "hertz": self.hertz, "current_limit": self.current_limit, "longest_on": longest}


def _within(reading: Reading, limit: Quantity) -> bool:
    return reading.base is not None and reading.base <= limit.base


def change_percent(samples: list[tuple[float, Reading]], over: float) -> Decimal | None:
    """How much the current changes over a time (s), in % of its mean, by the slope of a line through the readings.

    The readings are those of the last ``over`` seconds; None while there are too few, or one has no number.
    """
    latest = samples[-1][0]
    if latest - samples[0][0] < over:
        return None
    first = max(index for index, (since_on, _) in enumerate(samples) if latest - since_on >= over)
    window = samples[first:]
    values = [float(reading.base) for _, reading in window if reading.base is not None]
    if len(values) < len(window) or len(window) < _WINDOW:
        return None
    times = [since_on for since_on, _ in window]
    mean, middle = sum(values) / len(values), sum(times) / len(times)
    if mean <= 0:
        return None
    slope = sum((t - middle) * (v - mean) for t, v in zip(times, values, strict=True)) \
        / sum((t - middle) ** 2 for t in times)
    return Decimal(f"{abs(slope) * over / mean * 100:.3f}")


def from_item(item: Item) -> MotorCurrent:
    """The step from its checked fields."""
    start, settled, on = item["start"], item["settled"], item["applied"]
    return MotorCurrent(
        name=item["name"], volts=item["volts"], hertz=item["hertz"], current_limit=item["current_limit"],
        start_within=start["within"], start_at_most=start["at_most"], change=settled["change"],
        over=settled["over"], settled_within=settled["within"], run_down=item["run_down"],
        band=read_band(item["band"]), applied_volts=read_band(on["volts"]), applied_hertz=read_band(on["hertz"]),
        residual=read_residual(item["residual"]), connections=read_connections(item["connections"]),
        supply=supply_rule(item["band"], item["volts"]), control=read_control(item["control"]),
        turning=read_turning(item["turning"]))


def check(item: Item, findings: Findings) -> None:
    """Note what the table of fields cannot say."""
    band, start, settled, limit = (item.get(key) for key in ("band", "start", "settled", "current_limit"))
    check_band(band, findings, floor="the lowest current of a sound motor",
               ceiling="the highest current of a sound motor")
    check_applied(item, findings, volts="volts", hertz="hertz")
    check_connections(item, findings)
    started = start["at_most"] if start is not None else None
    if start is not None and started is not None and band is not None and band["at_most"] is not None \
            and started.base < band["at_most"].base:
        findings.add(start.place_of("at_most"), f"a motor counts as started at {started}, which is inside the band",
                     f"at least {band['at_most']}")
    if started is not None and limit is not None and limit.base <= started.base:
        findings.add(item.place_of("current_limit"), f"current_limit {limit} is not above the start's {started}",
                     f"more than {started}")
    check_control(item, findings)
    check_turning(item, findings)
    if settled is not None and settled["over"] is not None and settled["within"] is not None \
            and settled["within"].base <= settled["over"].base:
        findings.add(settled.place_of("within"), f"settled within {settled['within']}, no longer than its window",
                     f"more than {settled['over']}")
