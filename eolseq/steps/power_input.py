"""Power input: volts, amps and watts of the whole unit with its fan running, which is what the plate's rating says.

Elements may be on together, or one after another where the source is too weak for all of them. Relays never switch
under voltage, so between two turns the unit is off and proved dead. What was heated is cooled by the fan before the
step ends.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from eolseq.bands.band import ABOVE_RANGE, NOT_A_NUMBER, AcceptanceBand, Reading
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Field, Findings, Group, Item, ListOf, Text
from eolseq.steps.base import Bench, Closed, Connections, Evidence, Residual
from eolseq.steps.fields import (
    HERTZ,
    NAME,
    POSITIVE_AMPS,
    POSITIVE_VOLTS,
    RESIDUAL,
    applied_group,
    as_text,
    band_of,
    check_applied,
    check_band,
    check_connections,
    check_repeated,
    read_band,
    read_connections,
    read_residual,
    route_names,
    step_group,
)
from eolseq.steps.motor_current import change_percent
from eolseq.steps.supply_turn import Turn
from eolseq.steps.watching import Gathered, Hold, applied, gathering

KIND = "power_input"
_SWITCHING = 0.6        # seconds for relays, OFF, discharge and the proof of dead, for the expected time only
_BEYOND = Decimal(1)    # seconds that the source's own longest time on lies beyond what the step may need
_NEEDS_COOLING = Decimal(2)  # seconds of heating from which on the fan must cool the elements afterwards
_WARM_UP = Amount("s", above=Decimal(0), at_most=Decimal(600))
_MOMENTS = Amount("s", above=Decimal(0), at_most=Decimal(120))
_PART = Text(40, NAME, "letters, digits and dashes, such as stage-1")
_LIMITED = "the power source reached its current limit: short circuit, or more load than it should be"
_FACTOR = AcceptanceBand(None, Quantity(Decimal(103), "%"),
                         "watts never exceed volts times amps; 3 % covers the accuracy of the three readings")

FIELDS = step_group(KIND, "W", {
    "volts": Field(POSITIVE_VOLTS, about="the supply voltage, such as '240 V'"),
    "hertz": Field(HERTZ, about="the supply frequency, such as '60 Hz'"),
    "current_limit": Field(POSITIVE_AMPS, about="the current at which the source ends the test at once"),
    "in_turn": Field(ListOf(_PART, 1, 20), required=False, default=(),
                     about="closed parts that are on one after another, each with all the others that are not named"),
    "warm_up": Field(_WARM_UP, about="how long the supply is on before the reading may be taken"),
    "settled": Field(Group({
        "change": Field(Amount("%", above=Decimal(0), at_most=Decimal(20)), about="the greatest change, such as '1 %'"),
        "over": Field(_MOMENTS, about="over which time, such as '1 s'"),
        "within": Field(_MOMENTS, about="how long settling may take after warming up"),
    }, "settled"), about="when the current counts as settled, by its slope"),
    "amps": Field(band_of("A", f"{KIND} amps", "amps"), about="the acceptance band of the current"),
    "cool_down": Field(Group({
        "parts": Field(ListOf(_PART, 1, 20), about="closed parts that stay on, such as [fan]"),
        "time": Field(_MOMENTS, about="how long they run"),
    }, "the cool_down"), required=False, about="how the elements are cooled; needed after more than 2 s of heating"),
    "run_down": Field(_MOMENTS, about="how long the fan runs on after OFF"),
    "applied": applied_group(volts="V", hertz="Hz"),
    "residual": RESIDUAL,
})


@dataclass(frozen=True)
class PowerInput:
    """The settings of a power input step; supply in V and Hz, power in W, currents in A, times in s, change in %."""

    name: str
    volts: Quantity
    hertz: Quantity
    current_limit: Quantity
    in_turn: tuple[str, ...]
    warm_up: Quantity
    change: Quantity
    over: Quantity
    settled_within: Quantity
    cooling: tuple[str, ...]
    cool_down: Quantity | None
    run_down: Quantity
    band: AcceptanceBand
    amps: AcceptanceBand
    applied_volts: AcceptanceBand
    applied_hertz: AcceptanceBand
    residual: Residual
    connections: Connections
    kind: str = KIND

    def run(self, bench: Bench) -> Evidence:
        """Heat, wait until the current has settled, take the readings; part by part if so told; then cool."""
        turns: list[Turn] = []
        supplied = True
        with gathering() as found:
            for where, connections in self._turns():
                last = self.cool_down is None and where == (self.in_turn or ("",))[-1]
                with self._supply(bench, connections, last) as turn:
                    supplied = self._watch(turn)
                turns.append(turn)
                self._take(turn, supplied, where, found)
                if not supplied:  # a short circuit is not switched on again, not even to cool
                    break
            cooling = self._cool(bench) if self.cool_down is not None and supplied else None
            if supplied:
                found.take_residual((cooling or turns[-1]).source, self.residual)
                self._judge_course(turns, found)
            self._judge_supply([*turns, *([cooling] if cooling else [])], found)
        return found.evidence()

    def _turns(self) -> Iterator[tuple[str, Connections]]:
        """The part that has its turn and what is connected for it; one turn without a name for all together."""
        for part in self.in_turn:
            yield part, self._connections(each for each in self.connections.closed
                                          if each.part == part or each.part not in self.in_turn)
        if not self.in_turn:
            yield "", self.connections

    def _connections(self, closed: Iterator[Closed]) -> Connections:
        return self.connections._replace(closed=tuple(closed))

    @contextmanager
    def _supply(self, bench: Bench, connections: Connections, last: bool) -> Iterator[Turn]:
        """The supply on, for one turn. The residual is asked for once, after the last time the supply was on."""
        meter = bench.instrument("power_meter")
        with bench.connected("power", connections):
            meter.perform("prepare", expected=self._expected())
            with bench.energised("power_source", dict(self._settings()), residual=self.residual if last else None,
                                 run_down=self.run_down) as source:
                yield Turn(bench, source, meter, self.band, self._on_seconds(), bench.clock.monotonic())
                source.switch_off()

    def _watch(self, turn: Turn) -> bool:
        """Look until it is warm and settled, or has had time enough; whether the source supplied all along."""
        warm = False
        while turn.look("settling" if warm else "warming up"):
            warm = turn.since_on >= float(self.warm_up)
            if warm and (self._settled(turn) or turn.since_on >= self._longest()):
                return True
            turn.wait()
        return False

    def _cool(self, bench: Bench) -> Turn:
        """Run the fan with the elements off."""
        closed = (each for each in self.connections.closed if each.part in self.cooling)
        with self._supply(bench, self._connections(closed), True) as turn:
            while turn.look("cooling") and turn.since_on < float(self.cool_down or 0):
                turn.wait()
        return turn

    def _take(self, turn: Turn, supplied: bool, where: str, found: Gathered) -> None:
        if not supplied:
            limited = Reading("power", None, "W", turn.watts.raw, ABOVE_RANGE, turn.watts.time, turn.watts.instrument)
            found.take(limited, self.band, if_open=_LIMITED, where=where)
            return
        found.take(turn.watts, self.band, where=where)
        found.take(turn.current, self.amps, where=where)

    def _judge_course(self, turns: list[Turn], found: Gathered) -> None:
        """Whether it had settled, and whether the meter's three readings agree with each other."""
        changes = [self._change(turn) for turn in turns]
        found.applied.append(applied("change of current", changes, self._change_band(), "%"))
        found.applied.append(applied("power factor", [turn.factor() for turn in turns], _FACTOR, "%"))

    def _judge_supply(self, turns: list[Turn], found: Gathered) -> None:
        """What was supplied, also while cooling."""
        supply = Hold.over([turn.hold for turn in turns])
        found.applied.append(supply.applied("volts", "volts", self.applied_volts, "V"))
        found.applied.append(supply.applied("hertz", "hertz", self.applied_hertz, "Hz"))

    def _settled(self, turn: Turn) -> bool:
        change = change_percent(turn.amps, float(self.over))
        return change is not None and change <= self.change.value

    def _change(self, turn: Turn) -> Reading:
        change = change_percent(turn.amps, float(self.over))
        return Reading("change of current", change, "%", "computed", "" if change is not None else NOT_A_NUMBER,
                       turn.current.time)

    def _change_band(self) -> AcceptanceBand:
        return AcceptanceBand(None, self.change, f"settled: over {self.over}, within {self.settled_within}")

    def _longest(self) -> float:
        return float(self.warm_up) + float(self.settled_within)

    def _on_seconds(self) -> float:
        return max(float(self.warm_up), float(self.over))

    def seconds(self) -> float:
        """How long the step is expected to take."""
        closing = max((float(each.delay) for each in self.connections.closed), default=0.0) + _SWITCHING
        turns = len(self.in_turn) or 1
        cooling = float(self.cool_down) + closing + float(self.run_down) if self.cool_down is not None else 0.0
        once = self._on_seconds() + closing + float(self.run_down)
        return turns * once + cooling + max(0.0, float(self.residual.after) - float(self.run_down))

    def roles(self) -> tuple[str, ...]:
        """The roles of the instruments it needs."""
        return ("power_source", "power_meter", "residual_meter", "switching_unit")

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """The bands of power, current and residual voltage, then of what is applied."""
        return (("power", self.band), ("current", self.amps), ("residual voltage", self.residual.band),
                ("applied volts", self.applied_volts), ("applied hertz", self.applied_hertz),
                ("applied change of current", self._change_band()), ("applied power factor", _FACTOR))

    def highest_volts(self) -> Quantity | None:
        """The supply voltage (rms)."""
        return self.volts

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """What the power source and the power meter will be set to."""
        return (("power_source", self._settings()), ("power_meter", {"expected": self._expected()}))

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """The readings the instruments must have the range for."""
        return (("power_meter", "watts", self._expected()), ("power_meter", "current_rms", self._most_amps()),
                ("power_meter", "volts", self.volts), ("power_source", "hertz", self.hertz))

    def routes(self) -> tuple[str, ...]:
        """The station's connections it needs."""
        return route_names("route-power", self.connections)

    def settings_for_log(self) -> dict[str, str]:
        """The settings as text with units."""
        return as_text({**self._settings(), **({"in_turn": ", ".join(self.in_turn)} if self.in_turn else {}),
                        "warm_up": self.warm_up, "change": self.change, "over": self.over,
                        "settled_within": self.settled_within, "run_down": self.run_down,
                        **({"cool_down": self.cool_down} if self.cool_down is not None else {})})

    def _expected(self) -> Quantity:
        """The highest power that matters, by which the meter picks its range."""
        return self.band.at_most or Quantity(self.volts.base * self.current_limit.base, "W")

    def _most_amps(self) -> Quantity:
        return self.amps.at_most or self.current_limit

    def _settings(self) -> Mapping[str, Any]:
        on = max(self.warm_up.base + self.settled_within.base, self.cool_down.base if self.cool_down else Decimal(0))
        return {"volts": self.volts, "hertz": self.hertz, "current_limit": self.current_limit,
                "longest_on": Quantity(on + _BEYOND, "s")}


def from_item(item: Item) -> PowerInput:
    """The step from its checked fields."""
    settled, on, cool = item["settled"], item["applied"], item["cool_down"]
    return PowerInput(
        name=item["name"], volts=item["volts"], hertz=item["hertz"], current_limit=item["current_limit"],
        in_turn=tuple(item["in_turn"]), warm_up=item["warm_up"], change=settled["change"], over=settled["over"],
        settled_within=settled["within"], cooling=tuple(cool["parts"]) if cool else (),
        cool_down=cool["time"] if cool else None, run_down=item["run_down"],
        band=read_band(item["band"]), amps=read_band(item["amps"]), applied_volts=read_band(on["volts"]),
        applied_hertz=read_band(on["hertz"]), residual=read_residual(item["residual"]),
        connections=read_connections(item["connections"]))


def check(item: Item, findings: Findings) -> None:
    """Note what the table of fields cannot say."""
    band, amps = item.get("band"), item.get("amps")
    check_band(band, findings, ceiling="the highest input of a sound unit")
    check_band(amps, findings, ceiling="the highest current of a sound unit")
    if band is not None and amps is not None and not band.given("at_least") and not amps.given("at_least"):
        findings.add(item.place, "neither band nor amps has a floor, so a unit without supply would pass",
                     "'at_least' in one of them")
    check_applied(item, findings, volts="volts", hertz="hertz")
    check_connections(item, findings)
    _check_limit(item, findings)
    _check_parts(item, findings)
    _check_times(item, findings)


def _check_limit(item: Item, findings: Findings) -> None:
    limit, amps = item.get("current_limit"), item.get("amps")
    most = amps["at_most"] if amps is not None else None
    if limit is not None and most is not None and limit.base <= most.base:
        findings.add(item.place_of("current_limit"), f"current_limit {limit} is not above the {most} of amps",
                     f"more than {most}")


def _check_parts(item: Item, findings: Findings) -> None:
    connections, cool = item.get("connections"), item.get("cool_down")
    if connections is not None and connections["tied"]:
        findings.add(connections.place_of("tied"), "conductors are tied in a step that puts the supply on them",
                     "no 'tied'")
    closed = [each["part"] for each in (connections or {}).get("closed") or () if each is not None]
    check_repeated(item.get("in_turn"), findings, "named")
    for parts in (item.get("in_turn"), cool["parts"] if cool is not None else None):
        for index, part in enumerate(parts or ()):
            if part is not None and part not in closed and parts is not None:
                findings.add(parts.places[index], f"'{part}' is not closed in this step",
                             "one of " + (", ".join(str(each) for each in closed) or "no parts"))


def _check_times(item: Item, findings: Findings) -> None:
    warm, settled, cool = item.get("warm_up"), item.get("settled"), item.get("cool_down")
    if settled is not None and settled["over"] is not None and settled["within"] is not None \
            and settled["within"].base < settled["over"].base:
        findings.add(settled.place_of("within"), f"settled within {settled['within']}, shorter than its window",
                     f"at least {settled['over']}")
    if warm is not None and warm.base > _NEEDS_COOLING and cool is None and not item.given("cool_down"):
        findings.add(item.place, f"'cool_down' is missing in a step that heats for {warm}",
                     "such as {parts: [fan], time: 10 s}")
