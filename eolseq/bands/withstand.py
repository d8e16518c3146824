"""Withstand tests: voltage and time by a named row, and the current to expect of a sound unit's capacitance."""

from __future__ import annotations

from decimal import Decimal
from typing import NamedTuple

from eolseq.bands.tolerances import PERCENT, PERCENT_BELOW, SOURCE
from eolseq.bands.withstand_rows import WITHSTAND_ROWS, WithstandRow
from eolseq.bands.working import Around, Form, Source, Worked, Working, limits, refuse, rounding, share, stated, told
from eolseq.quantity import Quantity
from eolseq.shape import Amount, Day, Field, Group, Item, Word

PI = Decimal("3.141592653589793238462643383")
_ZERO = Decimal(0)

ROW_FIELDS = Group({
    "from": Field(Word(("row",)), about="row: as a named row of a standard prints it"),
    "row": Field(Word(tuple(WITHSTAND_ROWS)), about="the row, such as ul-458-1s"),
    "over": Field(PERCENT, required=False, about="how far it may be exceeded, where the row has no upper limit"),
    "source": Field(SOURCE, required=False, about="why it may be exceeded so far"),
}, "the band from a row")


def _row_of(item: Item, around: Around) -> WithstandRow:
    """The row, if it is for this unit and this test; else FileMistakes."""
    row, name = WITHSTAND_ROWS[item["row"]], item["row"]
    if around.step.get("type") != row.type:
        raise refuse(item, "row", f"the row {name} is for {row.type}, and the test is {around.step.get('type')}",
                     "a row for that type; none is worked out from another")
    rated = around.rated("voltage")
    why = row.misfit(rated, around.rated("motor")) if rated is not None else "needs the unit's rated voltage"
    if why:
        raise refuse(item, "row", f"the row {name} {why}", "a row whose conditions the unit meets")
    return row


def _upper(item: Item, least: Decimal, most: Decimal | None, unit: str) -> tuple[Decimal, str, tuple[Source, ...]]:
    """The upper limit: the row's own, or so much above the row's value as the file says."""
    if most is not None:
        if item.given("over"):
            raise refuse(item, "over", f"the row {item['row']} has an upper limit of its own, {told(most, unit)}",
                         "no 'over' beside it")
        return most, f"the row's own upper limit, {told(most, unit)}; above it the test is wrong, not passed", ()
    if item["over"] is None or item["source"] is None:
        raise refuse(item, "row", f"the row {item['row']} has no upper limit here", "'over' and its 'source'")
    value = least * (1 + share(item["over"]))
    return value, f"{told(least)} x {told(1 + share(item['over']))} = {told(value, unit)}, by {item['source']}", \
        (stated(item["source"]),)


def _voltage(item: Item, around: Around) -> Worked:
    row = _row_of(item, around)
    rated = around.rated("voltage")
    least = row.voltage(rated.base if rated is not None else _ZERO)
    most, words, by = _upper(item, least, row.most, "V")
    sources = (row.source, *by)
    computed = f"{row.volts} + {row.per_volt} x {rated} = {told(least, 'V')}" if row.per_volt else told(least, "V")
    capped = f", capped at {row.cap} V" if row.cap is not None else ""
    motor = around.rated("motor")
    inputs = (("row", item["row"]), ("rated voltage", str(rated)), *((("motor", str(motor)),) if motor else ()),
              ("type", row.type), ("conditions of the row", row.conditions()), ("row is for", row.use))
    working = Working("row", inputs, (f"as printed: {computed}{capped} for {row.seconds} s", words), sources, _use(row))
    return Worked(limits(least, most, "V", working.basis, exact=True), working)


def _time(item: Item, around: Around) -> Worked:
    row = _row_of(item, around)
    most, words, by = _upper(item, row.seconds, None, "s")
    other = around.step["applied"]["voltage"]
    if other is not None and other.get("from") == "row" and other["row"] != item["row"]:
        raise refuse(item, "row", f"the time is that of {item['row']} and the voltage that of {other['row']}",
                     "voltage and time of one row")
    working = Working("row", (("row", item["row"]),), (f"as printed: {row.seconds} s", words), (row.source, *by),
                      _use(row))
    return Worked(limits(row.seconds, most, "s", working.basis, exact=True), working)


def _use(row: WithstandRow) -> tuple[str, ...]:
    return ("the row is of a type test, not of a production line",) if row.use == "type test" else ()


WITHSTAND_VOLTAGE = Form("the test voltage of a named row", ROW_FIELDS, _voltage)
WITHSTAND_TIME = Form("the time of a named row", ROW_FIELDS, _time)


CAPACITANCE_FIELDS = Group({
    "from": Field(Word(("capacitance",)), about="capacitance: the current that a sound unit's insulation takes"),
    "capacitance": Field(Amount("F", above=_ZERO), about="of the unit to earth, such as '4 nF'"),
    "resistance": Field(Amount("ohm", above=_ZERO), required=False, about="of its insulation; needed for dc and for "
                        "the in-phase current"),
    "above": Field(PERCENT, about="how much more current a sound unit may take"),
    "below": Field(PERCENT_BELOW, about="how much less"),
    "baseline": Field(Amount("A", above=_ZERO), about="what the empty fixture takes at this voltage, as recorded"),
    "recorded": Field(Day(), about="the day when the empty fixture was measured"),
    "source": Field(SOURCE, about="where the capacitance and the limits come from"),
}, "the band from the capacitance")


class _Test(NamedTuple):
    """What the step says of the test; None for what is missing or wrong."""

    dc: bool
    in_phase: bool
    volts: Quantity
    rise: Quantity
    trip: Quantity
    hertz: Quantity | None


def _test(item: Item, around: Around) -> _Test:
    step = around.step
    if step["type"] == "ac" and step["frequency"] is None:
        raise refuse(item, "capacitance", "a capacitive current without a frequency", "'frequency' in the step")
    return _Test(step["type"] == "dc", step["trip_on"] == "in_phase", step["voltage"], step["rise"], step["trip"],
                 step["frequency"] if step["type"] == "ac" else None)


def _expected(item: Item, test: _Test) -> tuple[Decimal, tuple[str, ...]]:
    """The current (A) that the limits are about, with the lines of the formula."""
    capacitive, in_phase, lines = _ZERO, _ZERO, []
    farads: Quantity = item["capacitance"]
    if test.hertz is not None:
        capacitive = 2 * PI * test.hertz.base * farads.base * test.volts.base
        lines.append(f"capacitive: 2 pi x {test.hertz} x {farads} x {test.volts} = {_amps(capacitive)}")
    if item["resistance"] is not None:
        in_phase = test.volts.base / item["resistance"].base
        lines.append(f"in phase: {test.volts} / {item['resistance']} = {_amps(in_phase)}")
    elif test.dc or test.in_phase:
        raise refuse(item, "capacitance", "the current that is judged here does not flow through a capacitance",
                     "'resistance', that of the insulation")
    if test.dc or test.in_phase:
        return in_phase, tuple(lines)
    total = (capacitive ** 2 + in_phase ** 2).sqrt()
    if in_phase:
        lines.append(f"total: sqrt({_amps(capacitive)}^2 + {_amps(in_phase)}^2) = {_amps(total)}")
    return total, tuple(lines)


def _rise(item: Item, test: _Test) -> tuple[str, ...]:
    """The line on charging a dc test's capacitance; FileMistakes if that alone would trip."""
    if not test.dc:
        return ()
    charging = item["capacitance"].base * test.volts.base / test.rise.base
    if charging >= test.trip.base:
        least = item["capacitance"].base * test.volts.base / test.trip.base
        raise refuse(item, "capacitance", f"charging {item['capacitance']} to {test.volts} in {test.rise} takes "
                     f"{_amps(charging)}, not below the trip of {test.trip}", f"a rise of more than {told(least, 's')}")
    return (f"charging: {item['capacitance']} x {test.volts} / {test.rise} = {_amps(charging)}, below the trip of "
            f"{test.trip}",)


def _current(item: Item, around: Around) -> Worked:
    test = _test(item, around)
    amps, lines = _expected(item, test)
    low, high = amps * (1 - share(item["below"])), amps * (1 + share(item["above"]))
    if low <= item["baseline"].base:
        raise refuse(item, "baseline", f"a floor of {_amps(low)} is not above the empty fixture's "
                     f"{item['baseline']}, so a lead that is off would pass",
                     "a smaller 'below', or a fixture that takes less")
    if high >= test.trip.base:
        raise refuse(item, "above", f"an upper limit of {_amps(high)} is not below the trip of {test.trip}",
                     "a smaller 'above', or a higher trip")
    source = stated(item["source"])
    band = limits(low, high, "A", str(source))
    formula = (*lines, *_rise(item, test), f"-{item['below']} +{item['above']}: {_amps(low)} to {_amps(high)}",
               f"floor above the empty fixture: {_amps(low)} > {item['baseline']}, recorded {item['recorded']}",
               *rounding(low, high, band))
    inputs = (("capacitance", str(item["capacitance"])), ("insulation", str(item["resistance"] or "not counted")),
              ("voltage", str(test.volts)), ("frequency", str(test.hertz or "dc")), ("trip", str(test.trip)),
              ("empty fixture", f"{item['baseline']}, recorded {item['recorded']}"))
    return Worked(band, Working("capacitance", inputs, formula, (source,),
                                ("leakage current is another measurement and gives no withstand band",)))


def _amps(value: Decimal) -> str:
    """A current for people, in the unit in which it is at least one."""
    for unit, factor in (("A", 1), ("mA", 1000), ("uA", 1_000_000)):
        if abs(value) * factor >= 1:
            return told(value * factor, unit)
    return told(value * 1_000_000_000, "nA")


WITHSTAND_CURRENT = Form("the current through a sound unit's insulation", CAPACITANCE_FIELDS, _current)
