"""The cold resistance of heating elements from their rating: power, voltage, connection, alloy, and what lies beside.

More power is less resistance, so a tolerance of +5/-10 % of power is one of -4.8/+11.1 % of resistance.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import NamedTuple

from eolseq.bands.alloys import ALLOYS, resistance_factor
from eolseq.bands.paths import COLD, MEASURED_AT, PATH, TEMPERATURE, Path, parallel, read_path
from eolseq.bands.tolerances import SOURCE, TOLERANCE, Tolerance, read_tolerance
from eolseq.bands.working import Around, Form, Source, Worked, Working, limits, refuse, rounding, stated, told
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Count, Field, Group, Item, ListOf, Number, Text, Word

_ZERO = Decimal(0)
_POSITIVE_WATTS = Amount("W", above=_ZERO)

FIELDS = Group({
    "from": Field(Word(("rating",)), about="rating: rated power at rated voltage"),
    "voltage": Field(Amount("V", above=_ZERO), required=False, about="the voltage of the rating, else the unit's; "
                     "between lines if there are three phases"),
    "rated_power": Field(_POSITIVE_WATTS, required=False, about="the rated power of the whole unit, by which a row "
                         "picks its class, else the unit's"),
    "tolerance": TOLERANCE,
    "connection": Field(Word(("single", "star", "delta")), required=False, default="single", about="single phase, or "
                        "three phases in star or delta, each with the same elements"),
    "between": Field(Word(("terminals", "lines", "star_point", "element")), required=False, default=None,
                     about="what the meter is connected to: terminals of a single phase, two lines, a line and the "
                     "star point, or one element of an opened delta"),
    "elements": Field(ListOf(Group({
        "part": Field(Text(40), about="part number of the element"),
        "power": Field(_POSITIVE_WATTS, about="power of one such element, such as '3 kW'"),
        "number": Field(Count(1, 60), required=False, default=1, about="how many of them are in parallel"),
        "alloy": Field(Word(tuple(ALLOYS)), required=False, about="its alloy, whose table gives the cold factor"),
        "works_at": Field(TEMPERATURE, required=False, about="temperature of its wire at work, such as '400 degC'"),
        "factor": Field(Number(), required=False, about="hot over cold resistance of this part, instead of an alloy"),
        "source": Field(SOURCE, required=False, about="where the factor or the temperature comes from"),
    }, "the element"), 1, 12), about="the elements that are measured, in parallel; of one phase if there are three"),
    "measured_at": MEASURED_AT,
    "beside": Field(ListOf(Group({**PATH, "across": Field(
        Word(("terminals", "element")), required=False, default="terminals",
        about="whether it lies across what the meter is connected to, or across one element of a star")}, "the path"),
        0, 12), required=False, default=(), about="what the connection leaves in parallel, such as a fan winding"),
}, "the band from the rating")

_TIMES: Mapping[tuple[str, str], tuple[Decimal, str]] = {
    ("single", "terminals"): (Decimal(1), ""),
    ("star", "lines"): (Decimal(2), "two phases in a row, x 2"),
    ("star", "star_point"): (Decimal(1), "one phase"),
    ("delta", "lines"): (Decimal(2) / 3, "one phase beside two in a row, x 2/3"),
    ("delta", "element"): (Decimal(1), "one phase, the delta opened"),
}
"""Connection and where is measured -> how many times the resistance of one phase is read, and why."""


class _Hot(NamedTuple):
    """One kind of element: its power in all (W), hot over cold, words, inputs and sources."""

    watts: Decimal
    factor: Decimal
    words: str
    inputs: tuple[tuple[str, str], ...]
    sources: tuple[Source, ...]


def _hot(item: Item, measured_at: Quantity) -> _Hot:
    watts = item["power"].base * item["number"]
    each = ((f"element {item['part']}", f"{item['number']} x {item['power']}"),)
    if (item["alloy"] is None) == (item["factor"] is None):
        raise refuse(item, "part", f"element {item['part']} needs an alloy or a factor, and not both",
                     "'alloy' and 'works_at', or 'factor' and 'source'")
    if item["factor"] is not None:
        return _by_part(item, measured_at, watts, each)
    if item["works_at"] is None:
        raise refuse(item, "alloy", f"element {item['part']} has an alloy and no temperature at work", "'works_at'")
    try:
        hot, cold = (resistance_factor(item["alloy"], at) for at in (item["works_at"], measured_at))
    except ValueError as error:
        raise refuse(item, "works_at", str(error), "a temperature in the table, or the part's own 'factor'") from None
    words = (f"{item['part']}: {item['alloy']} C_t {told(hot)} at {item['works_at']} / {told(cold)} at {measured_at}"
             f" = {told(hot / cold)}")
    inputs = (*each, (f"alloy of {item['part']}", item["alloy"]), (f"{item['part']} works at", str(item["works_at"])))
    by = (stated(item["source"]),) if item["source"] else ()
    return _Hot(watts, hot / cold, words, inputs, (ALLOYS[item["alloy"]].source, *by))


def _by_part(item: Item, measured_at: Quantity, watts: Decimal, each: tuple[tuple[str, str], ...]) -> _Hot:
    factor: Decimal = item["factor"]
    if item["source"] is None or item["works_at"] is not None:
        raise refuse(item, "factor", f"the factor of element {item['part']} stands for its temperature at work and "
                     "needs a source", "'source', and no 'works_at'")
    if not Decimal("0.5") <= factor <= 20:
        raise refuse(item, "factor", f"a factor of {factor}", "hot over cold resistance, such as 1.025")
    if measured_at.base != COLD.base:
        raise refuse(item, "factor", f"the factor of element {item['part']} holds for {COLD}, not for {measured_at}",
                     "an alloy and its temperature at work")
    words = f"{item['part']}: hot over cold {told(factor)}, by {item['source']}"
    return _Hot(watts, factor, words, (*each, (f"factor of {item['part']}", told(factor))), (stated(item["source"]),))


class _Case(NamedTuple):
    """What is measured: the voltage (V) across one phase's elements, the times of one phase, the words of both."""

    volts: Decimal
    rated: Quantity
    connection: str
    between: str


def _case(item: Item, around: Around) -> _Case:
    connection = item["connection"]
    between = item["between"] or ("terminals" if connection == "single" else "lines")
    if (connection, between) not in _TIMES:
        good = ", ".join(where for how, where in _TIMES if how == connection)
        raise refuse(item, "between", f"'{between}' is nothing to measure at in a {connection} connection", good)
    rated = item["voltage"] or around.rated("voltage")
    if rated is None:
        raise refuse(item, "voltage", "no voltage of the rating", "'voltage', or the unit's rated voltage")
    volts = rated.base / Decimal(3).sqrt() if connection == "star" else rated.base
    return _Case(volts, rated, connection, between)


def _measured(case: _Case, phase: Decimal, beside: list[tuple[str, Decimal]]) -> Decimal:
    """What a meter reads (ohm) when one phase has so much and paths lie beside."""
    element = [value for across, value in beside if across == "element"]
    terminals = [value for across, value in beside if across == "terminals"]
    if case.connection == "star" and case.between == "lines":
        own = parallel(phase, *element) + phase
    else:
        own = parallel(phase * _TIMES[case.connection, case.between][0], *element)
    return parallel(own, *terminals)


def _work_out(item: Item, around: Around) -> Worked:
    measured_at: Quantity = item["measured_at"]
    _refuse_repeated(item)
    case = _case(item, around)
    hot = [_hot(each, measured_at) for each in item["elements"]]
    watts = sum((each.watts for each in hot), _ZERO)
    phases = 1 if case.connection == "single" else 3
    whole = item["rated_power"] or around.rated("power")
    tolerance = read_tolerance(item["tolerance"], whole.base if whole is not None else watts * phases)
    cold = case.volts ** 2 / sum((each.watts * each.factor for each in hot), _ZERO)
    phase = (cold / (1 + tolerance.above / 100), cold / (1 - tolerance.below / 100))
    paths = [(each["across"], read_path(each, measured_at)) for each in item["beside"]]
    low = _measured(case, phase[0], [(across, path.low) for across, path in paths])
    high = _measured(case, phase[1], [(across, path.high) for across, path in paths])
    sources = (*tolerance.sources, *(source for each in hot for source in each.sources),
               *(source for _, path in paths for source in path.sources))
    band = limits(low, high, "ohm", Working("rating", (), (), sources).basis)
    formula = (*_formula(case, watts, hot, cold, tolerance, phase), *_beside(case, paths, low, high),
               *rounding(low, high, band))
    return Worked(band, Working("rating", _inputs(item, case, hot, tolerance, whole), formula, sources,
                                _apart(item, around)))


def _apart(item: Item, around: Around) -> tuple[str, ...]:
    """A note where the band's rating is another than the unit's: a marking may have several, or one is mistyped."""
    pairs = (("voltage", item["voltage"], around.rated("voltage")),
             ("power", item["rated_power"], around.rated("power")))
    return tuple(f"rated {name} {own} here, and {unit} in the unit" for name, own, unit in pairs
                 if own is not None and unit is not None and own.base != unit.base)


def _refuse_repeated(item: Item) -> None:
    parts = [each["part"] for each in item["elements"]]
    twice = next((part for part in parts if parts.count(part) > 1), None)
    if twice is not None:
        raise refuse(item, "elements", f"element {twice} stands there twice", "each part once, with its 'number'")


def _inputs(item: Item, case: _Case, hot: list[_Hot], tolerance: Tolerance,
            whole: Quantity | None) -> tuple[tuple[str, str], ...]:
    return (("rated voltage", str(case.rated)), ("connection", f"{case.connection}, between {case.between}"),
            *((("rated power of the unit", str(whole)),) if whole is not None else ()),
            ("tolerance of power", f"+{told(tolerance.above)} % -{told(tolerance.below)} %"),
            *(pair for each in hot for pair in each.inputs), ("measured at", str(item["measured_at"])),
            *((f"beside: {each['name']}", str(each["resistance"])) for each in item["beside"]))


def _formula(case: _Case, watts: Decimal, hot: list[_Hot], cold: Decimal, tolerance: Tolerance,
             phase: tuple[Decimal, Decimal]) -> tuple[str, ...]:
    at_work = case.volts ** 2 / watts
    volts = f"({case.rated.value:f} / sqrt(3))" if case.connection == "star" else told(case.volts)
    each = " of one phase" if case.connection != "single" else ""
    factor = at_work / cold
    return (f"hot{each}: {volts}^2 / {told(watts)} = {told(at_work, 'ohm')}", *(one.words for one in hot),
            f"cold{each}: {told(at_work)} / {told(factor)} = {told(cold, 'ohm')}", tolerance.words,
            f"more power, less resistance: {told(cold)} / {told(1 + tolerance.above / 100)} = {told(phase[0], 'ohm')}, "
            f"{told(cold)} / {told(1 - tolerance.below / 100)} = {told(phase[1], 'ohm')}")


def _beside(case: _Case, paths: list[tuple[str, Path]], low: Decimal, high: Decimal) -> tuple[str, ...]:
    """The lines on the connection and on the paths beside; none where there is nothing to say."""
    why = _TIMES[case.connection, case.between][1]
    if not paths:
        return (f"{why}: {told(low)} to {told(high, 'ohm')}",) if why else ()
    return (*((f"measured: {why}",) if why else ()),
            *(f"beside, across {across}: {path.words}" for across, path in paths),
            f"with what lies beside: {told(low)} to {told(high, 'ohm')}")


ELEMENTS = Form("rated power at rated voltage, corrected to a cold element", FIELDS, _work_out)
