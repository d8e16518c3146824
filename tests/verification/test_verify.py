"""Instruments held against known loads in virtual time: what is good holds, what has drifted does not, nothing else.

The formula of the normalised error is that of ISO/IEC 17043 and ISO 13528, from memory. The plant is invented.
"""

from __future__ import annotations

import dataclasses
import math
from datetime import date
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from eolseq.bands.band import Outcome, Reading, judge
from eolseq.commands.run import bay_of
from eolseq.errors import NotGenuine, Refused, StationFault
from eolseq.quantity import parse
from eolseq.records import entries
from eolseq.records.approvals import Standing
from eolseq.records.documents import VERIFICATION_TYPE
from eolseq.records.instruments import suspects
from eolseq.records.reader import Records
from eolseq.records.station_checks import verification_payload
from eolseq.station.shown import verifiable
from eolseq.verification.bench import Verified, Verifier
from eolseq.verification.known_loads import Known, band_around, middle, normalised_error
from eolseq.verification.plan import SERIAL
from eolseq.verification.references import FromSimulator
from eolseq.verification.results import chart, entry_of
from tests.records.people import PEOPLE, Plant, signed
from tests.rig import PAGES, SIMULATOR, STATION, Rig

ALL = tuple(each.name for each in STATION.instruments if verifiable(STATION, PAGES[each.name].role))


def verifier(rig: Rig, **changed: Any) -> Verifier:
    """A verification of the rig's station, at whose guard someone does what is asked."""
    rig.open()

    def ask(words: str, what: str) -> None:
        verb, _, which = what.partition(" ")
        rig.world.obey({verb: which})

    values: dict[str, Any] = {
        "clock": rig.clock, "opened": rig.opened, "pages": PAGES, "bay": bay_of(rig.opened, PAGES), "log": rig.log,
        "emit": rig.events.append, "acknowledge": lambda _: "maintainer", "ask": ask, "patience": 2.0,
        "references": FromSimulator(rig.world.read_reference)}
    return Verifier(**{**values, **changed})


def bad(found: Verified) -> set[str]:
    assert found.crash is None
    return {each.instrument for each in found.results if each.outcome is not Outcome.PASS}


SIMULATED = {name: Decimal(str(ohms)) for name, ohms in SIMULATOR.fixture["loads"].items()}


def test_readings_agree_with_what_the_simulated_loads_give(rig: Rig) -> None:
    """Normalised error of ISO 13528:2022 9.7 and ISO/IEC 17043:2023 (from memory), the loads passed in as numbers."""
    found = verifier(rig, simulated=SIMULATED).verify(ALL)
    errors = {(each.instrument, check["reading"]): check["prediction_error"] for each in found.results
              for check in each.checks if check["prediction_error"] is not None}
    assert len({name for name, _ in errors}) >= 5 and all(abs(Decimal(error)) <= 1 for error in errors.values())
    assert bad(found) == set()


@pytest.mark.parametrize(("load", "instrument"), [("decade-1k", "resistance"), ("shunt-50m", "continuity"),
                                                  ("heat-46", "input"), ("volts-1m", "withstand")])
def test_a_bench_that_has_another_load_than_it_says_is_found(rig: Rig, load: str, instrument: str) -> None:
    other = {**SIMULATED, load: SIMULATED[load] * Decimal("1.2")}
    found = verifier(rig, simulated=other).verify((instrument,))
    assert [each.outcome for each in found.results] == [Outcome.FAIL]
    assert "is not what the simulated bench should give" in found.results[0].sentence
    assert load in found.results[0].sentence


def test_a_sound_station_holds_in_every_check(rig: Rig) -> None:
    found = verifier(rig).verify(ALL)
    assert {each.instrument: each.outcome for each in found.results} == dict.fromkeys(ALL, Outcome.PASS)
    assert all(each.checks for each in found.results)
    assert not rig.world.energised_at_unit() and not rig.world.closed
    assert found.run is not None and not found.run.released, "known loads are never released"


DRIFTS = {"withstand": {"withstand"}, "continuity": {"continuity"}, "power": {"power"}, "resistance": {"resistance"},
          "current": {"current"}, "input": {"input"}, "residual": {"residual", "withstand"}}
"""What drifts, and what then does not hold: the withstand tester is compared with the residual meter."""


@pytest.mark.parametrize("name", DRIFTS)
@pytest.mark.parametrize("part", [0.1, -0.1])
def test_what_has_drifted_is_found_and_nothing_else(rig: Rig, name: str, part: float) -> None:
    rig.world.set_fault("drifted", name, part)
    assert bad(verifier(rig).verify(ALL)) == DRIFTS[name]


def test_the_tester_must_trip_below_the_current_and_hold_above_it(rig: Rig) -> None:
    steps: tuple[Any, ...] = verifier(rig).plan(("withstand",)).plan.steps
    assert [(str(each.trip), each.must_trip) for each in steps] == [("0.00105 A", False), ("0.00095 A", True)]


def test_a_tester_that_never_trips_is_found(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(type(rig.world), "_tester_trips", lambda self, source: None)
    found = verifier(rig).verify(("withstand",)).results[0]
    assert found.outcome is Outcome.FAIL and "limit just below" in found.sentence


def test_a_tester_that_trips_too_soon_is_found(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    before = type(rig.world)._tester_trips

    def early(self: Any, source: Any) -> Any:
        limits, self.limits = self.limits, [each * 0.5 for each in self.limits]
        try:
            return before(self, source)
        finally:
            self.limits = limits

    monkeypatch.setattr(type(rig.world), "_tester_trips", early)
    found = verifier(rig).verify(("withstand",)).results[0]
    assert found.outcome is Outcome.FAIL and "limit just above" in found.sentence


def test_a_contact_that_is_not_seen_and_a_watchdog_that_does_not_drop(rig: Rig) -> None:
    holder = verifier(rig)
    rig.world.guard.closes_by_itself = False
    rig.world.obey({"close": "both"})

    def ask(words: str, what: str) -> None:
        verb, _, which = what.partition(" ")
        if which != "contact_b":
            rig.world.obey({verb: which})

    found = dataclasses.replace(holder, ask=ask).verify(("guard",)).results[0]
    assert found.outcome is Outcome.FAIL and found.sentence.startswith("contact_b opened alone: NOT seen")
    rig.world.guard.set_timer(10.0)
    found = holder.verify(("guard",)).results[0]
    assert found.outcome is Outcome.FAIL and "watchdog drops the contactor: NOT seen" in found.sentence
    assert not rig.world.guard.contactor and not rig.world.guard.locked


def test_the_watchdog_is_not_tried_while_a_unit_is_tested(rig: Rig) -> None:
    rig.open()
    rig.opened.watcher.arm()
    with pytest.raises(StationFault, match="cannot be tried"):
        rig.opened.door.watchdog_drops([])


def test_a_relay_that_does_not_follow_is_a_fault(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    holder = verifier(rig)
    before = rig.world.switch
    monkeypatch.setattr(rig.world, "switch", lambda numbers, on: before([n for n in numbers if n != 134], on))
    found = holder.verify(("switching",)).results[0]
    assert found.outcome is Outcome.FAULT and "channel 134 is not closed" in found.sentence


LOADS = {each.name: each for each in STATION.known_loads}
REFUSED = {
    "underrated volts": ("withstand", "volts-1m", {"volts": parse("900 V")}, "is rated 900 V"),
    "underrated power": ("input", "heat-46", {"power": parse("1 kW")}, "is rated 1 kW"),
    "underrated duty": ("continuity", "shunt-50m", {"duty": parse("0.5 s")}, "is rated 0.5 s"),
    "past due": ("resistance", "decade-1k", {"good_until": date(2020, 1, 1)}, "was good until 2020-01-01"),
    "too little current": ("withstand", "volts-1m", {"resistance": parse("1000 Mohm")}, "too little to set a limit"),
    "of another use": ("withstand", "volts-1m", {"use": "supply"}, "names no known load for withstand"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_a_known_load_that_does_not_serve_is_refused_before_anything_is_on(rig: Rig, name: str) -> None:
    instrument, load, changed, words = REFUSED[name]
    loads = {**LOADS, load: dataclasses.replace(LOADS[load], **changed)}
    rig.station = dataclasses.replace(rig.station, known_loads=tuple(loads.values()))
    holder = verifier(rig)
    with pytest.raises(Refused, match=words):
        holder.verify((instrument,))
    assert not any(each.get("output") == "on" for each in rig.world.changes)


def test_suspects_are_those_since_the_last_good_verification_and_no_known_load(rig: Rig) -> None:
    holder = verifier(rig)

    def verify() -> None:
        found = holder.verify(("resistance",)).results[0]
        identity = rig.opened.identities["resistance"]
        rig.log.append(entry_of(found, entries.InstrumentNamed("resistance", identity.model, identity.serial), run=None,
                                page="p", station="s", document=None))

    verify()
    rig.world.load("DH6-00000001")
    assert rig.run().outcome is Outcome.PASS
    rig.world.load("DH6-00000001")
    rig.world.set_fault("drifted", "resistance", 0.02)
    verify()
    listed = suspects(Records.open(Path(rig.station.records)), "resistance")
    assert [each.units for each in listed] == [["DH6-00000001"]]
    assert SERIAL not in listed[0].units and rig.log.attempts(SERIAL)


def test_a_unit_cannot_have_a_reserved_serial(rig: Rig) -> None:
    rig.serial = "REFERENCE-GOOD"
    pattern = dataclasses.replace(rig.sequence.unit, serial_pattern="[A-Z-]{3,40}")
    rig.sequence = dataclasses.replace(rig.sequence, unit=pattern)
    rig.open()
    result = rig.run()
    assert result.outcome is Outcome.REFUSED and "reserved for reference units" in result.sentence


# -- the arithmetic ---------------------------------------------------------------------------------------------

positive = st.floats(1e-6, 1e6)


@given(positive, st.floats(1e-5, 0.5), st.floats(0.0, 0.5), st.floats(-3, 3))
def test_inside_the_band_is_a_normalised_error_of_at_most_one(value: float, own: float, other: float, off: float) -> None:
    reference = Known(value, value * other, "a certificate")
    band = band_around(reference, value * own, "V")
    x = value + off * math.hypot(value * own, value * other)
    error = normalised_error(x, value * own, reference)
    assume(abs(error - 1) > 0.002)  # the band is rounded inwards
    outcome = judge(band, Reading("volts", Decimal(repr(x)), "V")).outcome
    assert outcome is (Outcome.PASS if error < 1 else Outcome.FAIL)


@given(positive, st.floats(-0.5, 0.5), st.permutations(["a", "b", "c"]))
def test_one_of_three_that_drifted_is_never_the_middle_one(value: float, drift: float, order: list[str]) -> None:
    assume(abs(drift) > 0.01)
    read = {"a": value, "b": value * 1.001, "c": value * (1 + drift)}
    found = middle([(name, read[name], 1.0) for name in order])
    assert found is not None and found.value in (read["a"], read["b"])
    assert middle([("a", value, 1.0), ("b", value, 1.0)]) is None


def test_the_chart_marks_each_error_in_its_place() -> None:
    assert [row.index("*") for row in chart([-1.0, 0.0, 1.0, 9.0])] == [0, 20, 40, 40]


# -- the document -----------------------------------------------------------------------------------------------


def document(plant: Plant, by: str, **changed: Any) -> Any:
    payload = verification_payload(plant.log.origin, plant.log.size, {"name": "m", "model": "RM-4", "serial": "1"},
                                   "pass", "It held.", page="p", station="s", run=None, checks=[])
    return signed(VERIFICATION_TYPE, {**payload, **changed}, PEOPLE[by])


def carry(plant: Plant, signed_document: Any, **changed: Any) -> int:
    said = {"instrument": entries.InstrumentNamed("m", "RM-4", "1"), "outcome": "pass", "sentence": "It held.",
            "page": "p", "document": signed_document.text.decode()}
    return plant.log.append(entries.Verification(**{**said, **changed}))


def test_a_verification_signed_by_maintenance_stands(tmp_path: Path) -> None:
    plant = Plant(tmp_path)
    index = carry(plant, document(plant, "m-1"))
    assert [each.holder for each in plant.standing.verified[index]] == ["m-1"]


@pytest.mark.parametrize(("by", "changed", "entry", "words"), [
    ("e-1", {}, {}, "this needs maintenance"),
    ("stranger", {}, {}, "not in this station's registry"),
    ("m-1", {"index": 1}, {}, "was made for entry 1"),
    ("m-1", {"origin": "other.example/bench"}, {}, "for another log"),
    ("m-1", {"outcome": "fail"}, {}, "says something else"),
    ("m-1", {}, {"page": "q"}, "says something else"),
], ids=["engineer", "stranger", "another place", "another log", "outcome", "page"])
def test_what_is_no_verification(tmp_path: Path, by: str, changed: dict[str, Any], entry: dict[str, Any],
                                 words: str) -> None:
    plant = Plant(tmp_path)
    carry(plant, document(plant, by, **changed), **entry)
    with pytest.raises(NotGenuine, match=words):
        Standing(plant.log.documents)


@pytest.mark.parametrize(("name", "fault", "says"), [
    ("continuity", "stuck", "still reports its output on after OFF"), ("power", "stuck", "after OFF"),
    ("power", "stuck-silent", "could not be discharged"), ("withstand", "stuck", "after OFF"),
    ("withstand", "stuck-silent", "could not be discharged")])
def test_an_output_that_stays_on_is_never_found_good(rig: Rig, name: str, fault: str, says: str) -> None:
    """A continuity tester that stays on and says nothing is the business of ``test_tap.py``."""
    made = verifier(rig)
    rig.world.obey({"fault": {"name": fault, "instrument": name}})
    found = made.verify((name,))
    assert found.results and not any(each.outcome is Outcome.PASS for each in found.results)
    assert found.run is not None and found.run.outcome is Outcome.FAULT and says in found.run.sentence
