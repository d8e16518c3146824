"""A canned run of an invented plant's duct heater, told in events, for tests and pictures of the screen."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal

from eolseq.bands.band import AcceptanceBand, Outcome, Reading, judge
from eolseq.engine.cautions import STANDARD
from eolseq.engine.events import (
    Acknowledged,
    Cautions,
    Event,
    Instruction,
    JudgedReading,
    Live,
    RunBegins,
    RunEnds,
    SafetyState,
    StepBegins,
    StepEnds,
    StepPlan,
)
from eolseq.quantity import parse


def band(at_least: str | None, at_most: str | None) -> AcceptanceBand:
    """A band from two texts."""
    return AcceptanceBand(parse(at_least) if at_least else None, parse(at_most) if at_most else None, "invented")


def reading(name: str, text: str) -> Reading:
    """A reading from a text with its unit."""
    quantity = parse(text)
    return Reading(name, quantity.value, quantity.unit, raw=text)


BOND = band("0.001 ohm", "0.100 ohm")
STAGE = band("18.24 ohm", "20.16 ohm")
APART = band("100 kohm", None)
LEAK = band("0.20 mA", "5.00 mA")
VOLTS = band("1740 V", "1812 V")
MOTOR = band("1.50 A", "2.30 A")

STEPS = (
    StepPlan("ground_continuity", "earth path", (("resistance", BOND),), 3.0),
    StepPlan("heater_resistance", "heater stage 1", (("resistance", STAGE),), 0.6),
    StepPlan("heater_resistance", "heater stage 2", (("resistance", STAGE),), 0.6),
    StepPlan("heater_resistance", "line to neutral apart", (("resistance", APART),), 0.5),
    StepPlan("dielectric_withstand", "withstand to earth", (("current", LEAK), ("voltage", VOLTS)), 2.5),
    StepPlan("motor_current", "fan motor", (("current", MOTOR),), 4.0),
)

OPEN = SafetyState("admitted", False, False, True, False)
CLOSED = SafetyState("guarded", False, False, True, True)
ON = SafetyState("energised", True, True, False, True)
PROVING = SafetyState("proving_dead", True, True, False, True)

RESULTS: tuple[tuple[str, str, AcceptanceBand], ...] = (
    ("resistance", "0.041 ohm", BOND), ("resistance", "19.12 ohm", STAGE), ("resistance", "19.31 ohm", STAGE),
    ("resistance", "2200 kohm", APART), ("current", "2.91 mA", LEAK), ("current", "1.87 A", MOTOR))


def begins(steps: tuple[StepPlan, ...] = STEPS, *, simulated: bool = True, trial: bool = False) -> RunBegins:
    """The event that tells the plan."""
    return RunBegins("duct heater 6 kW", "DH6-00000001", "demo station", "bay 1", simulated, trial, 1, steps)


def step_ends(index: int, name: str, text: str, limits: AcceptanceBand) -> StepEnds:
    """A step ended with one reading, judged as the product judges it."""
    judged = judge(limits, reading(name, text))
    one = JudgedReading(name, judged.reading, limits, judged.outcome, judged.sentence)
    return StepEnds(index, judged.outcome, judged.sentence, (one,))


def story(results: tuple[tuple[str, str, AcceptanceBand], ...] = RESULTS, *, simulated: bool = True) -> Iterator[Event]:
    """A whole run: cautions, guard, every step until one does not pass, outcome."""
    yield begins(simulated=simulated)
    yield SafetyState("identified", False, None, None, None)
    yield Cautions(STANDARD, ("The element plate has sharp edges. Wear gloves.",))
    yield Acknowledged("demo")
    yield OPEN
    yield Instruction("Connect the lead set to DH6-00000001, then close the guard.")
    yield CLOSED
    yield Instruction("Wait. The test runs by itself. Red button stops it.")
    outcome = Outcome.PASS
    for index, (name, text, limits) in enumerate(results):
        yield StepBegins(index)
        yield ON
        seconds = STEPS[index].seconds
        final = parse(text)
        for share, phase, left in (("0.4", "rising", 0.8), ("0.99", "holding", 0.4), ("1", "holding", 0.1)):
            value = Reading(name, (final.value * Decimal(share)).quantize(final.value), final.unit)
            yield Live(index, name, value, limits, phase, seconds * left)
            if index == 4:
                volts = Reading("voltage", (1776 * Decimal(share)).quantize(Decimal(1)), "V")
                yield Live(index, "voltage", volts, VOLTS, phase, seconds * left)
        yield PROVING
        yield CLOSED
        ended = step_ends(index, name, text, limits)
        yield ended
        outcome = ended.outcome
        if outcome is not Outcome.PASS:
            break
    sentences = {Outcome.PASS: "Open the guard, take the unit out and put it on the outgoing belt.",
                 Outcome.FAIL: "Take the unit out and put it on the rework trolley. Do not test it again before rework."}
    yield SafetyState("judged", False, False, True, False)
    yield RunEnds(outcome, sentences[outcome], "records/demo.log", 42)


FAILED = (*RESULTS[:4], ("current", "6.40 mA", LEAK))
"""A unit that fails the withstand step."""
