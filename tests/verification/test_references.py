"""Instruments held against reference meters in virtual time: frequency, airflow and a pressure gauge.

The normalised error is that of ISO/IEC 17043:2023 and ISO 13528:2022 9.7 (from memory). The plant is invented, and so is
every certificate.
"""

from __future__ import annotations

import dataclasses
import math
from datetime import UTC, date, datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.bands.band import Outcome
from eolseq.commands.check import _check
from eolseq.commands.references import references_of
from eolseq.errors import FileMistakes, Refused
from eolseq.instruments.page import load_page
from eolseq.quantity import parse
from eolseq.simulation.file import build
from eolseq.station.checks import Checks, Demand
from eolseq.station.file import load_station
from eolseq.station.reference_fields import ReferenceMeter
from eolseq.station.shown import BY_KNOWN_LOADS, not_shown, verifiable
from eolseq.verification.bench import Verified
from eolseq.verification.plan import ORDER
from eolseq.verification.reference_steps import ON_FOR
from eolseq.verification.references import FromSimulator, Typed
from eolseq.verification.results import Result
from eolseq.verification.standing import Present, reasons
from tests import rig as rigs
from tests.rig import PAGES, ROOT, SIMULATOR, STATION, Rig
from tests.steps.fakes import FakeBench
from tests.verification.test_verify import verifier

METERS = {each.name: each for each in STATION.reference_meters}
COUNTER, MANOMETER, STANDARD = METERS["counter"], METERS["manometer"], METERS["standard"]


def one(found: Verified) -> Result:
    assert found.crash is None and len(found.results) == 1
    return found.results[0]


def errors(found: Result) -> dict[str, float]:
    """The normalised error of each check, by its reading."""
    return {each["reading"]: float(each["normalised_error"]) for each in found.checks}


# -- what is sound holds, and what is not is found -----------------------------------------------------------------

SOUND = {
    "power": ["volts", "frequency at 50 Hz", "counter at 50 Hz", "frequency at 60 Hz", "counter at 60 Hz"],
    "airflow": ["pressure at the flow", "pressure at rest"],
    "gauge": ["pressure, vented", "pressure at 5 bar", "pressure at 10 bar"],
}


@pytest.mark.parametrize("name", SOUND)
def test_a_sound_instrument_holds_in_every_check(rig: Rig, name: str) -> None:
    found = verifier(rig).verify((name,))
    result = one(found)
    assert (result.outcome, [each["reading"] for each in result.checks]) == (Outcome.PASS, SOUND[name])
    assert all(abs(error) <= 1 for error in errors(result).values())
    assert not rig.world.energised_at_unit() and not rig.world.closed and rig.world.pumped is None
    assert all(not each.released for each in found.own_runs.values()), "no unit was tested"


FAULTS = {
    # what is wrong: (instrument, fault, number, the checks that find it)
    "source's hertz 1 % high": ("power", "drifted", 0.01, {"volts", "frequency at 50 Hz", "frequency at 60 Hz"}),
    "source's hertz 0.2 % low": ("power", "drifted", -0.002, {"frequency at 50 Hz", "frequency at 60 Hz"}),
    "source's hertz stuck": ("power", "hertz-stuck", None, {"frequency at 50 Hz", "counter at 50 Hz"}),
    "airflow high": ("airflow", "drifted", None, {"pressure at the flow"}),
    "airflow low": ("airflow", "drifted", -0.1, {"pressure at the flow"}),
    "airflow stuck at rest": ("airflow", "reading-stuck", None, {"pressure at the flow"}),
    "airflow overloaded": ("airflow", "overloaded", None, {"pressure at the flow"}),
    "gauge high": ("gauge", "drifted", 0.01, {"pressure at 5 bar", "pressure at 10 bar"}),
    "gauge low": ("gauge", "drifted", -0.01, {"pressure at 5 bar", "pressure at 10 bar"}),
    "gauge stuck, vented": ("gauge", "reading-stuck", None, {"pressure at 5 bar", "pressure at 10 bar"}),
}


@pytest.mark.parametrize("name", FAULTS)
def test_what_is_wrong_is_found_and_by_which_check(rig: Rig, name: str) -> None:
    instrument, fault, number, checks = FAULTS[name]
    made = verifier(rig)
    rig.world.set_fault(fault, instrument, number)
    result = one(made.verify((instrument,)))
    assert result.outcome is not Outcome.PASS
    assert {each["reading"] for each in result.checks if each["outcome"] != "pass"} >= checks


def test_a_source_whose_output_is_off_and_who_says_what_was_set_is_found_at_that_frequency_alone(rig: Rig) -> None:
    """Both instruments' words agree there; nothing but the counter sees what really is at the load."""
    made = verifier(rig)
    rig.world.set_fault("hertz-stuck", "power")
    found = errors(one(made.verify(("power",))))
    assert abs(found["frequency at 50 Hz"]) > 1 and abs(found["counter at 50 Hz"]) > 1
    assert abs(found["frequency at 60 Hz"]) <= 1 and abs(found["counter at 60 Hz"]) <= 1


@pytest.mark.parametrize(("name", "at"), [("airflow", "rest"), ("gauge", "vented")])
def test_a_reading_that_sticks_where_it_was_is_found_by_the_bad_side(rig: Rig, name: str, at: str) -> None:
    """It would be right at the very pressure that it sticks at, so nothing but the look at nothing finds it."""
    made = verifier(rig)
    rig.world.set_fault("reading-stuck", name)
    instrument: Any = rig.world.by_name[name]
    instrument._stuck_at = {"airflow": "61.9", "gauge": "500000"}[name]
    bad = [each["reading"] for each in one(made.verify((name,))).checks if each["outcome"] != "pass"]
    assert any(at in each for each in bad)


SCALES = {
    # instrument: what stands on its page, and what is put there instead
    "power": ("ps-9", "{hertz:Hz}", "{hertz:kHz}"),
    "airflow": ("af-1", '"{pressure:Pa}"', '"{pressure:kPa}"'),
    "gauge": ("pg-6", '"{pressure:Pa}"', '"{pressure:mbar}"'),
}


@pytest.mark.parametrize("name", SCALES)
def test_a_page_with_a_wrong_scale_is_found(rig: Rig, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page, right, wrong = SCALES[name]
    text = (ROOT / f"drivers/{page}.yaml").read_text("utf-8").split("\n# What goes over the line")[0] + "\n"
    assert right in text
    path = tmp_path / "wrong.yaml"
    path.write_text(text.replace(right, wrong), "utf-8")
    changed = {**PAGES, name: load_page(path)}
    monkeypatch.setattr(rigs, "PAGES", changed)
    made = verifier(rig, pages=changed)
    result = one(made.verify((name,)))
    assert result.outcome is not Outcome.PASS and any(each["outcome"] != "pass" for each in result.checks)


# -- safety --------------------------------------------------------------------------------------------------------


def on_for(rig: Rig, name: str) -> list[float]:
    """For how long an output was on, each time."""
    times = [each["time"] for each in rig.world.changes if each.get("name") == name and each.get("output") in ("on", "off")]
    return [off - on for on, off in zip(times[::2], times[1::2], strict=True)]


def test_voltage_is_on_for_the_stated_time_and_no_longer_however_long_a_person_takes(rig: Rig) -> None:
    answers = Answers(["1", "49.999", "49.999", "1", "60.001", "60.001"], takes=50.0, clock=rig)
    result = one(verifier(rig, references=Typed(), listen=answers).verify(("power",)))
    assert result.outcome is Outcome.PASS
    lasted = on_for(rig, "power")
    load = next(each for each in STATION.known_loads if each.use == "supply")
    assert len(lasted) == 3 and max(lasted) < float(ON_FOR) + 0.6 < float(load.duty)


def test_nothing_comes_on_when_nobody_says_that_the_counter_is_ready(rig: Rig) -> None:
    found = verifier(rig, references=Typed(), listen=None).verify(("airflow",))
    assert not one(found).concluded and "nothing was switched on" in one(found).sentence
    assert found.own_runs["airflow"].outcome is Outcome.FAULT
    assert not any(each.get("output") == "on" for each in rig.world.changes)


def test_a_guard_that_opens_while_the_counter_reads_ends_it(rig: Rig) -> None:
    made = verifier(rig)
    rig.world.open_guard_after(1.0)
    found = made.verify(("airflow",))
    assert found.own_runs["airflow"].outcome is Outcome.STOPPED and not one(found).concluded
    assert max(on_for(rig, "power")) < 1.3


def test_the_guard_must_be_opened_for_the_unit_whatever_was_opened_before(rig: Rig) -> None:
    """Contacts were opened to verify the guard unit; that is no sign that the known loads were taken off."""
    made = verifier(rig)
    rig.world.guard.closes_by_itself = False
    rig.world.obey({"close": "both"})

    def ask(words: str, what: str) -> None:
        verb, _, which = what.partition(" ")
        if verb != "place":  # nobody goes to the bay
            rig.world.obey({verb: which})

    found = dataclasses.replace(made, ask=ask).verify(("guard", "airflow"))
    assert {each.instrument: str(each.outcome) for each in found.results}["guard"] == "pass"
    assert found.own_runs["airflow"].outcome is Outcome.REFUSED
    assert "was not seen open" in found.own_runs["airflow"].sentence
    assert not any(each.get("output") == "on" for each in rig.world.changes)


REFUSED = {
    "counter past due": ("power", "counter", {"good_until": date(2020, 1, 1)}, "reference meter counter was good until"),
    "manometer past due": ("airflow", "manometer", {"good_until": date(2020, 1, 1)}, "reference meter manometer was good"),
    "standard past due": ("gauge", "standard", {"good_until": date(2020, 1, 1)}, "reference meter standard was good until"),
    "fan above the ceiling": ("airflow", "manometer", {"fan": dataclasses.replace(
        METERS["manometer"].fan, volts=parse("3 kV"))}, "above this station's ceiling"),  # type: ignore[type-var]
}


def with_meter(rig: Rig, name: str, **changed: Any) -> None:
    meters = {**METERS, name: dataclasses.replace(METERS[name], **changed)}
    rig.station = dataclasses.replace(rig.station, reference_meters=tuple(meters.values()))


@pytest.mark.parametrize("name", REFUSED)
def test_a_reference_meter_that_does_not_serve_is_refused_before_anything_is_on(rig: Rig, name: str) -> None:
    instrument, meter, changed, words = REFUSED[name]
    with_meter(rig, meter, **changed)
    made = verifier(rig)
    with pytest.raises(Refused, match=words):
        made.verify((instrument,))
    assert not any(each.get("output") == "on" for each in rig.world.changes)


def test_a_load_that_may_not_be_on_so_long_is_refused(rig: Rig) -> None:
    rig.station = dataclasses.replace(rig.station, known_loads=tuple(
        dataclasses.replace(each, duty=parse("3 s")) if each.use == "supply" else each for each in STATION.known_loads))
    with pytest.raises(Refused, match="is rated 3 s"):
        verifier(rig).verify(("power",))


def test_a_flow_that_the_manometer_cannot_show_is_no_number(rig: Rig) -> None:
    """A fan that stands still would agree with every meter that reads nothing."""
    with_meter(rig, "manometer", least=parse("100 Pa"))
    result = one(verifier(rig).verify(("airflow",)))
    assert not result.concluded and "manometer gave no number from 100 Pa to 250 Pa" in result.sentence
    assert all(each["value"] is None for each in result.checks)


def test_frequencies_that_the_source_or_the_counter_does_not_have_are_left_out(rig: Rig) -> None:
    with_meter(rig, "counter", least=parse("55 Hz"))
    steps = verifier(rig).plan(("power",)).plan.steps
    assert [each.name for each in steps] == ["power on heat-46", "power at 60 Hz by counter"]


# -- what a person types ---------------------------------------------------------------------------------------------


class Answers:
    """Somebody at the terminal who types a line at each question, after so many seconds."""

    gone = False

    def __init__(self, lines: list[str], takes: float = 0.0, clock: Any = None) -> None:
        self.lines, self.takes, self.asked = iter(lines), takes, -math.inf
        self.rig = clock

    def __call__(self, most: int) -> Answers:
        self.asked = self.rig.clock.monotonic()
        return self

    def number(self) -> int | None:
        return None

    def line(self) -> str | None:
        return next(self.lines, None) if self.rig.clock.monotonic() >= self.asked + self.takes else None


def test_a_number_that_nobody_typed_concludes_nothing_and_what_was_found_bad_stays_bad(rig: Rig) -> None:
    """An instrument that nobody held against anything is neither good nor bad; its last verification stands."""
    silent = verifier(rig, references=Typed(), listen=Answers(["1", "50.001", "50.001", "1"], clock=rig))
    found = one(silent.verify(("power",)))
    assert not found.concluded and "counter gave no number" in found.sentence
    assert [each["outcome"] for each in found.checks] == ["pass", "pass", "pass", "fault"]
    rig.world.load(rig.serial)
    rig.world.set_fault("drifted", "power", 0.01)
    silent = dataclasses.replace(silent, listen=Answers(["1", "50.001", "50.001", "1"], clock=rig))
    assert one(silent.verify(("power",))).outcome is Outcome.FAIL


@pytest.mark.parametrize(("typed", "checks"), [
    ([], ["fault"]), (["1"], ["pass", "fault", "fault"]), (["1", "5", "5"], ["pass", "pass", "fault"]),
    (["1", "7", "7", "10", "10"], ["pass", "fault", "pass"])])
def test_a_gauge_whose_standard_nobody_reads_rightly_is_neither_good_nor_bad(rig: Rig, typed: list[str],
                                                                             checks: list[str]) -> None:
    found = one(verifier(rig, references=Typed(), listen=Answers(typed, clock=rig)).verify(("gauge",)))
    assert [each["outcome"] for each in found.checks] == checks
    assert not found.concluded and rig.world.pumped is None


TYPED = {
    # what is typed: the number that is taken, in Pa; None: none
    "twice alike": (["5.001", "5.001"], "500100"),
    "with the same value in other digits": (["5.001", "5.0010"], "500100"),
    "two that differ, then twice alike": (["5.001", "5.1", "5.002", "5.002"], "500200"),
    "once": (["5.001"], None),
    "never twice alike": (["5.001", "5.002", "5.003"], None),
    "outside its range": (["16", "16"], None),
    "outside its range, then right": (["16", "16", "5", "5"], "500000"),
    "right, outside, then once more": (["5", "16", "5"], None),
    "below its range": (["-0.1", "-0.1"], None),
}


@pytest.mark.parametrize("name", TYPED)
def test_a_number_is_taken_that_was_typed_twice_alike_inside_the_range(name: str) -> None:
    typed, wanted = TYPED[name]
    bench = FakeBench(typed=list(typed))
    found = Typed().read(bench, STANDARD, "What standard shows")
    assert found.base == (None if wanted is None else Decimal(wanted))
    assert bool(found.special) == (wanted is None) and found.unit == "Pa"


def test_the_question_states_the_unit_and_says_why_it_asks_again() -> None:
    bench = FakeBench(typed=["16", "5", "6", "5", "5"])
    Typed().read(bench, STANDARD, "What standard shows")
    questions = [each.removeprefix("ask ") for each in bench.did if each.startswith("ask ")]
    assert questions[0] == "What standard shows, in bar: type it, Enter."
    assert "standard shows 0 Pa to 1.5 MPa" in questions[1]
    assert questions[2] == "What standard shows, in bar: the same again."
    assert questions[3].startswith("These two differ.")
    assert all(len(each) <= 100 for each in questions)


def test_nobody_at_a_terminal_is_no_number_and_no_voltage() -> None:
    bench = FakeBench()
    assert Typed().read(bench, STANDARD, "What standard shows").base is None
    assert not Typed().ready(bench, "Hold key ready?")


@pytest.mark.parametrize("shown", [None, math.nan, math.inf, 1.0, 300.0])
def test_what_a_simulated_meter_cannot_show_is_no_number(shown: float | None) -> None:
    assert FromSimulator(lambda _: shown).read(FakeBench(), MANOMETER, "").base is None


# -- the arithmetic ----------------------------------------------------------------------------------------------------


@given(st.decimals("0", "1500000", places=1))
def test_the_uncertainty_is_a_part_of_the_reading_and_a_fixed_part(value: Decimal) -> None:
    assert STANDARD.expanded(value) == pytest.approx(float(value) * 0.0002 + 50.0)


@pytest.mark.parametrize(("name", "reading", "reference"), [("gauge", "pressure at 5 bar", 5e5), ("airflow", "pressure at the flow", 62.0)])
def test_the_normalised_error_by_hand(rig: Rig, name: str, reading: str, reference: float) -> None:
    """E_n = (x - ref) / sqrt(U^2 + Uref^2); U of the page's limits, rectangular, k = 2 (GUM 4.3.7, from memory)."""
    found = next(each for each in one(verifier(rig).verify((name,))).checks if each["reading"] == reading)
    x = float(found["value"])
    shown = rig.world.references[{"gauge": "standard", "airflow": "manometer"}[name]].error
    ref = reference * (1 + shown)
    own = {"gauge": 2 * (0.0005 * x + 100) / math.sqrt(3), "airflow": 2 * (0.01 * x + 0.5) / math.sqrt(3)}[name]
    other = {"gauge": 0.0002 * ref + 50, "airflow": 0.005 * ref + 0.1}[name]
    assert float(found["normalised_error"]) == pytest.approx((x - ref) / math.hypot(own, other), abs=0.002)


# -- the station file, and what is told --------------------------------------------------------------------------------

BAD_FILES = {
    # what is wrong: (what stands there, what is put there instead, what is said)
    "counts": ("5 mHz", "3 counts", "is no expanded uncertainty"),
    "another dimension": ("5 mHz", "5 Pa", "no accuracy of a reading in Hz"),
    "no words of ours": ("5 mHz", "quite good", "is not an accuracy known here"),
    "nothing": ("5 mHz", "0 mHz", "is no expanded uncertainty"),
    "range upside down": ("from: 40 Hz, to: 70 Hz", "from: 70 Hz, to: 40 Hz", "is not above 'from'"),
    "no such connection": ("{part: fan,", "{part: fam,", "'fam' is no connection"),
    "a pressure that it does not show": ("at: [5 bar, 10 bar]", "at: [5 bar, 20 bar]", "is outside what 'standard' shows"),
    "two for one": ("counter: {measures: frequency", "again: {measures: frequency, uncertainty: 1 Hz, certificate: K, "
                    "good_until: 2099-12-31, from: 1 Hz, to: 2 Hz}\n  counter: {measures: frequency", "measures frequency already"),
    "no fan": ("to: 250 Pa,\n", "to: 250 Pa}\n  other: {measures: frequency,\n", "'fan' is missing"),
}


@pytest.mark.parametrize("name", BAD_FILES)
def test_a_station_file_with_a_wrong_reference_meter(name: str, tmp_path: Path) -> None:
    right, wrong, said = BAD_FILES[name]
    text = (ROOT / "simulators/demo-station.yaml").read_text("utf-8")
    assert right in text
    path = tmp_path / "station.yaml"
    path.write_text(text.replace(right, wrong), "utf-8")
    with pytest.raises(FileMistakes) as found:
        load_station(path)
    assert said in str(found.value)


def test_a_station_without_reference_meters_is_told_what_is_not_shown() -> None:
    bare = dataclasses.replace(STATION, reference_meters=())
    roles = {name: page.role for name, page in PAGES.items()}
    told = " ".join(not_shown(bare, roles))
    assert "the frequency of power" in told and "whether airflow is good" in told and "whether gauge is good" in told
    assert not verifiable(bare, "airflow_meter") and not verifiable(bare, "pressure_gauge")
    assert verifiable(STATION, "airflow_meter") and verifiable(STATION, "pressure_gauge")
    assert [each.split(" of ")[0] for each in not_shown(STATION, roles)] == ["Verification shows the pressure"]


def test_what_known_loads_show_has_its_place_in_the_order_of_verifying() -> None:
    assert {*ORDER, "switching_unit", "guard_unit"} == BY_KNOWN_LOADS


def test_check_says_it_of_a_station_file() -> None:
    line = _check(ROOT / "simulators/line-station.yaml", None, True)
    assert any("frequency of power" in each for each in line.not_shown) and line.in_order


def test_past_due_refuses_units_as_a_known_load_does() -> None:
    late = dataclasses.replace(COUNTER, good_until=date(2025, 12, 31))

    def found(checks: Checks, meter: ReferenceMeter) -> list[str]:
        return [each.what for each in reasons(Present(
            datetime(2026, 1, 1, 12, tzinfo=UTC), checks, (), (meter,), "s", "", "", lambda _: 0), ())]

    asked = Checks(Demand("day"), Demand("never"))
    assert found(asked, late) == ["The certificate of reference meter counter was good until 2025-12-31."]
    assert found(asked, COUNTER) == [] == found(Checks(Demand("never"), Demand("never")), late)


def test_a_simulator_that_lacks_a_reference_meter_is_refused() -> None:
    other = dataclasses.replace(STATION, reference_meters=(dataclasses.replace(COUNTER, name="other"),))
    with pytest.raises(Refused, match="no reference meter named other"):
        references_of(other, lambda _: None)
    assert isinstance(references_of(STATION, None), Typed)


def test_a_simulated_meter_is_a_little_off_and_told_to_whoever_listens() -> None:
    heard: list[Any] = []
    world: Any = build(SIMULATOR, now=0.0, emit=heard.append)
    assert math.isnan(world.read_reference("counter")) and heard[-1]["shows"] is None, "nothing is on"
    world.obey({"pump": 500000})
    assert world.read_reference("standard") == pytest.approx(500000 * (1 - 0.00005))
    assert heard[-1]["reference"] == "standard"
    world.obey({"pump": "off"})
    assert math.isnan(world.read_reference("standard")), "this unit has no coil to put a hose on"
