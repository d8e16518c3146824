"""Whether a station is good enough for a sequence: how sure its readings are, how soon its guard stops.

Whether it can run the sequence at all is looked at in ``findings``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any, Protocol

from eolseq.bands.band import AcceptanceBand
from eolseq.bands.decision import SIMPLE, Rule
from eolseq.bands.risk import risk
from eolseq.bands.rules import guard, half_of, interval, process_of_spread, ratio, shown_ratio
from eolseq.bands.uncertainty import DIVISORS, Span, rounded_up
from eolseq.errors import Place
from eolseq.hazard import SAFE_VOLTS_DC, discharge_seconds
from eolseq.instruments.page_model import Page
from eolseq.instruments.spans import Known, before_zero, span_of
from eolseq.quantity import Quantity
from eolseq.sequence.finding import ERROR, NOTE, WARNING, Finding, about
from eolseq.sequence.model import Sequence
from eolseq.sequence.safety import charged, peak_volts
from eolseq.shape import Item
from eolseq.steps.base import Step
from eolseq.steps.ground_continuity import GroundContinuity

OFF_SECONDS = 0.05    # s, how long a stop line that is full is given to take OFF
_BITS = 10            # on a serial line, for each character
_FIRST = "applied "


class Placed(Protocol):
    """What is asked of one instrument of a station here."""

    name: str
    address: str

    @property
    def known(self) -> Mapping[str, Known]:
        """By reading, what the station knows of its accuracy."""


def bench(sequence: Sequence, station: Any, pages: Mapping[str, Page]) -> Iterator[Finding]:
    """Everything found; ``pages`` by the instruments' names, ``station`` as its file says."""
    places: Mapping[str, Placed] = {each.name: each for each in station.instruments}
    by_role = {page.role: (page, places[name].known if name in places else {}) for name, page in pages.items()}
    yield from _unknown_readings(station, places, pages)
    rule = sequence.decision or station.decision or Rule()
    for index, (step, item) in enumerate(zip(sequence.steps, sequence.items, strict=True)):
        yield from _sure(sequence, index, step, item, rule, by_role, station)
        yield from _access(sequence, step, item, station, "residual_meter" in by_role)
    guards = [(page, places[name].address) for name, page in pages.items()
              if page.role == "guard_unit" and name in places]
    yield from dict.fromkeys(found for page, address in guards for found in _trip_time(page, address, station))


def _unknown_readings(station: Any, places: Mapping[str, Placed], pages: Mapping[str, Page]) -> Iterator[Finding]:
    for name, place in places.items():
        for reading in place.known if name in pages else ():
            if reading not in pages[name].gives:
                yield Finding("unknown-reading", Place(str(station.path), 1, 1), f"'uncertainty' of {name} speaks of "
                              f"'{reading}', and its driver page gives no such reading; name one of "
                              + ", ".join(pages[name].gives))


# -- how sure the readings are ----------------------------------------------------------------------------------


def _sure(sequence: Sequence, index: int, step: Step, item: Item, rule: Rule,
          by_role: Mapping[str, tuple[Page, Mapping[str, Known]]], station: Any) -> Iterator[Finding]:
    spans: dict[tuple[str, AcceptanceBand], Span | None] = {}
    for name, band in step.bands():
        found = _measured_by(step, name, band, by_role)
        if found is None or (found[0].role, band) in spans:
            continue
        page, known = found
        key, limit = (page.role, band), band.at_most or band.at_least
        zero = _zero(step, station)
        measures = before_zero(step.measures(), zero)
        spans[key] = span = _less(span_of(page, known, measures, _bare(name), _dimension(band), limit), zero)
        place = item.place_of("residual" if name.startswith("residual") else "band")
        if name.startswith(_FIRST):
            yield from _applied(step, name, band, span, page, item.place_of("applied"))
        else:
            yield from _reading(step, name, band, span, page, rule, place)
    yield from _risk(sequence, index, step, item, rule, spans)


def _zero(step: Step, station: Any) -> Quantity | None:
    """The largest zero that a two-wire step takes off its readings; None if it takes none off."""
    if not isinstance(step, GroundContinuity) or not step.zero:
        return None
    typed = [zeros[step.zero] for zeros in (station.zeros, *(each.zeros for each in station.places))
             if step.zero in zeros]
    return max((point for zero in typed for point in zero.points.values()), key=lambda each: each.base, default=None)


def _less(span: Span | None, zero: Quantity | None) -> Span | None:
    same = span is not None and zero is not None and span.to.dimension == zero.dimension
    return replace(span, zero=zero.base) if same and span is not None and zero is not None else span


def _bare(name: str) -> str:
    return name.removeprefix(_FIRST)


def _dimension(band: AcceptanceBand) -> str:
    limit = band.at_least or band.at_most
    return limit.dimension if limit is not None else ""


def _measured_by(step: Step, name: str, band: AcceptanceBand,
                 by_role: Mapping[str, tuple[Page, Mapping[str, Known]]]) -> tuple[Page, Mapping[str, Known]] | None:
    """The instrument behind a band of a step; None where nothing measures it, or the station has none."""
    roles = ["residual_meter"] if name.startswith("residual") else [role for role, _, _ in step.measures()]
    for role in roles:
        page = by_role[role][0] if role in by_role else None
        measured = [each for each in step.measures() if each[0] == role]
        readings = [reading for _, reading, _ in measured] if measured else list(page.gives if page else ())
        if page is not None and any(each in page.gives and _unit(page, each) == _dimension(band) for each in readings):
            return by_role[role]
    return None


def _unit(page: Page, reading: str) -> str:
    unit = page.gives[reading].unit
    return Quantity(Decimal(0), unit).dimension if unit else ""


def _reading(step: Step, name: str, band: AcceptanceBand, span: Span | None, page: Page, rule: Rule,
             place: Place) -> Iterator[Finding]:
    said = f"step '{step.name}', {name} {band}: the {page.role.replace('_', ' ')} {page.model}"
    if span is None or not span.known:
        yield Finding("accuracy-unknown", place, f"{said} states no accuracy for it, so that nothing can pass; state "
                      "it on the driver page, or from a certificate in the station file", WARNING)
        return
    reached = ratio(band, span, rule.coverage)
    guarded = guard(rule, band, span)
    cut = [float(each) for each in (guarded.low, guarded.high) if each is not None]
    nothing = bool(guarded.doubt) or sum(cut) > 2 * half_of(band)
    if nothing or reached < float(rule.least_ratio):
        what = "nothing can pass" if nothing else _what_becomes(rule, cut, band)
        yield Finding("too-poor", place, f"{said} reaches {shown_ratio(reached)} where {rule.least_ratio}:1 is wanted "
                      f"(U = {_expanded(band, span, rule)}, k = {rule.coverage}): {what}; {_better(band, span, rule)}",
                      WARNING)


def _what_becomes(rule: Rule, cut: list[float], band: AcceptanceBand) -> str:
    if not any(cut):
        return "this rule cuts nothing off all the same"
    part = sum(cut) / (2 * half_of(band)) * 100
    return f"{'it is guarded by U, and ' if rule.name == SIMPLE else ''}{part:.0f} % of the band is undecided"


def _expanded(band: AcceptanceBand, span: Span, rule: Rule) -> str:
    limit = band.at_most or band.at_least
    if limit is None:
        return "unknown"
    worst = max(span.standard(each.base) for each in (band.at_least, band.at_most) if each is not None)
    return str(Quantity(rounded_up(float(rule.coverage) * worst), limit.dimension).to(limit.unit))


def _better(band: AcceptanceBand, span: Span, rule: Rule) -> str:
    """What accuracy would do: limits of error at the band's limit, beside the other things that make it unsure."""
    limit = band.at_most or band.at_least
    wanted = half_of(band) / float(rule.least_ratio) / float(rule.coverage)
    others = max(sum(each.share ** 2 for each in span.budget(end.base) if each.name != "accuracy")
                 for end in (band.at_least, band.at_most) if end is not None)
    left = wanted ** 2 - others
    if limit is None or left <= 0:
        return "no accuracy would do: its resolution, leads or temperature alone are too much"
    allowed = Quantity(_down(DIVISORS["rectangular"] * left ** 0.5), limit.dimension).to(limit.unit)
    return f"an accuracy within {allowed} at {limit} would do"


def _down(value: float) -> Decimal:
    """Two digits, rounded down: an accuracy that would do."""
    up = rounded_up(value)
    return up if float(up) <= value else up - Decimal(1).scaleb(up.adjusted() - 1)


def _applied(step: Step, name: str, band: AcceptanceBand, span: Span | None, page: Page,
             place: Place) -> Iterator[Finding]:
    """What is put on the unit is judged as read; an engineer should know how sure that is."""
    if span is None or not span.known:
        return
    reached = ratio(band, span)
    if reached < float(Rule().least_ratio):
        yield Finding("poor-stimulus", place, f"step '{step.name}', {name} {band}: the {page.role.replace('_', ' ')} "
                      f"{page.model} reads it to {_expanded(band, span, Rule())} (k = 2), {shown_ratio(reached)}; it "
                      "is judged as read, so leave that much room in the setting", NOTE)


def _risk(sequence: Sequence, index: int, step: Step, item: Item, rule: Rule,
          spans: Mapping[tuple[str, AcceptanceBand], Span | None]) -> Iterator[Finding]:
    """Consumer's and producer's risk, where the step states how the product's true values are spread."""
    spread, band = sequence.spread(index), step.bands()[0][1]
    span = next((span for (_, each), span in spans.items() if each == band and span is not None), None)
    if spread is None or span is None or not span.known:
        return
    guarded = guard(rule, band, span, spread)
    if guarded.doubt:
        return
    tolerance = interval(band)
    accepted = (tolerance[0] + float(guarded.low or 0), tolerance[1] - float(guarded.high or 0))
    found = risk(process_of_spread(spread), span.standard(spread.centre.base), tolerance, accepted)
    yield about(step, "risk", item.place_of("spread"), f"of a million units {found.nonconforming * 1e6:.0f} "
                  f"are outside {band}, {found.consumer * 1e6:.0f} of these pass (consumer's risk), and "
                  f"{found.producer * 1e6:.0f} sound ones do not (producer's risk), by {guarded.rule}", NOTE)


# -- how soon it is safe ----------------------------------------------------------------------------------------


def _access(sequence: Sequence, step: Step, item: Item, station: Any, sees_dead: bool) -> Iterator[Finding]:
    """Where no meter shows that the unit is dead, its discharge must be over before a person can reach it."""
    for each in () if sees_dead else charged(sequence, step):
        seconds = discharge_seconds(float(each.bleeder), float(each.capacitance), peak_volts(step), SAFE_VOLTS_DC)
        if seconds > station.guard.access:
            yield about(step, "slow-for-access", item.place, f"{each.capacitance} through {each.bleeder} "
                          f"needs {seconds:.2f} s from {peak_volts(step):.0f} V (crest) to {SAFE_VOLTS_DC:.0f} V, a "
                          f"person can be there in {station.guard.access:g} s, and no residual meter keeps the guard "
                          "locked until it is dead; have one, or lengthen the access time by a lock with a timer")


def _trip_time(page: Page, address: str, station: Any) -> Iterator[Finding]:
    times, place = station.guard, Place(str(station.path), 1, 1)
    look = _look_seconds(page, address)
    usual = times.scan + look
    worst = times.freshness + times.scan + OFF_SECONDS
    words = f"from a guard contact that opens to OFF: {usual * 1000:.1f} ms if the guard unit answers at once, at " \
            f"worst {worst * 1000:.0f} ms (freshness {times.freshness * 1000:.0f} ms, scan {times.scan * 1000:.0f} " \
            f"ms, a full stop line {OFF_SECONDS * 1000:.0f} ms)"
    if worst > times.access:
        yield Finding("slow-trip", place, f"{words}, and a person can be there in {times.access:g} s; shorten "
                      "'freshness' and 'scan', or move the guard further away", ERROR)
    elif look > times.freshness / 2:
        yield Finding("slow-guard-link", place, f"a look at the guard takes {look * 1000:.0f} ms on its line, more "
                      f"than half of the freshness of {times.freshness * 1000:.0f} ms: one lost answer stops a run; "
                      "use a faster line", ERROR)
    else:
        yield Finding("trip-time", place, words, NOTE)


def _look_seconds(page: Page, address: str) -> float:
    """How long (s) one look takes on the guard unit's line: next to nothing on a network, not so on a serial one."""
    serial = address.upper().startswith("ASRL")
    return page.line.pause + (page.look_letters() * _BITS / page.line.baud if serial else 0.0)
