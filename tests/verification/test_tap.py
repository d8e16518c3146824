"""A continuity tester that stays on and says that it is off, seen at the tap of a shunt; and where no tap may be.

The volts are Ohm's law: 25 A through 199.95 milliohm are 4.999 V. The bands follow from the meter's accuracy, 1 % of reading
and 10 counts of 0.1 V, taken as rectangular (JCGM 100:2008 4.3.7; from memory). The plant is invented.
"""

from __future__ import annotations

import dataclasses
import math
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.__main__ import main
from eolseq.bands.band import Outcome, Reading, judge
from eolseq.bands.uncertainty import Span, read_accuracy
from eolseq.commands.verify import _words
from eolseq.errors import FileMistakes, Refused, StationFault
from eolseq.instruments.roles import ROLES
from eolseq.quantity import Quantity, parse
from eolseq.station.file import load_station
from eolseq.station.shown import not_shown
from eolseq.steps.base import Connections
from eolseq.verification.known_loads import Known, band_around, expanded
from eolseq.verification.tap import at_tap, dead_band, not_rated, refuse_tap, volts_at, with_tap
from tests.rig import PAGES, ROOT, STATION, Rig
from tests.verification.test_verify import verifier

SHUNT = next(each for each in STATION.known_loads if each.name == "shunt-200m")
SMALL = next(each for each in STATION.known_loads if each.name == "shunt-50m")
SPAN = Span(parse("9 kV"), parse("0.1 V"), read_accuracy("1 % of reading + 10 counts", "V"))
SOURCES = {each.name: ROLES[PAGES[each.name].role] for each in STATION.instruments if ROLES[PAGES[each.name].role].danger}


def stuck(rig: Rig, fault: str, name: str) -> None:
    rig.world.obey({"fault": {"name": fault, "instrument": name}})


def checks(found: Any) -> dict[str, Any]:
    return {each["reading"]: each for each in found.results[0].checks if "tap" in each["reading"]}


# -- found, and found good ------------------------------------------------------------------------------------------

FOUND = {
    ("withstand", "stuck"): (Outcome.FAULT, "still reports its output on after OFF"),
    ("withstand", "stuck-silent"): (Outcome.FAULT, "could not be discharged"),
    ("continuity", "stuck"): (Outcome.FAULT, "still reports its output on after OFF"),
    ("continuity", "stuck-silent"): (Outcome.FAIL, "says that its output is off"),
    ("power", "stuck"): (Outcome.FAULT, "still reports its output on after OFF"),
    ("power", "stuck-silent"): (Outcome.FAULT, "could not be discharged"),
}


def test_the_table_has_every_source_that_admits_and_that_is_silent() -> None:
    assert set(FOUND) == {(name, fault) for name in SOURCES for fault in ("stuck", "stuck-silent")}


@pytest.mark.parametrize(("name", "fault"), FOUND)
def test_an_output_that_stays_on_is_found(rig: Rig, name: str, fault: str) -> None:
    made = verifier(rig)
    stuck(rig, fault, name)
    found = made.verify((name,))
    outcome, words = FOUND[name, fault]
    assert found.results[0].outcome is outcome and words in found.results[0].sentence
    assert not rig.world.guard.contactor, "what stays on no longer reaches the bay"


@pytest.mark.parametrize("name", SOURCES)
def test_the_same_without_a_fault_holds(rig: Rig, name: str) -> None:
    assert verifier(rig).verify((name,)).results[0].outcome is Outcome.PASS


def test_a_silent_tester_shows_its_volts_and_nothing_is_tested_beside_it(rig: Rig) -> None:
    made = verifier(rig)
    stuck(rig, "stuck-silent", "continuity")
    found = made.verify(("continuity", "withstand"))
    after = checks(found)["volts at the tap after OFF"]
    assert Decimal(after["value"]) == pytest.approx(Decimal("5.0"), abs=Decimal("0.2")) and after["outcome"] == "fail"
    assert checks(found)["volts at the tap while on"]["outcome"] == "pass"
    assert [each.outcome for each in found.results] == [Outcome.FAIL, Outcome.NOT_REACHED]
    on = {each["name"] for each in rig.world.changes if each.get("output") == "on"}
    assert on == {"continuity"} and not rig.world.closed and not found.results[1].concluded


def test_a_sound_tester_is_seen_on_and_seen_off(rig: Rig) -> None:
    found = checks(verifier(rig).verify(("continuity",)))
    assert {each["outcome"] for each in found.values()} == {"pass"} and len(found) == 2
    assert Decimal(found["volts at the tap while on"]["value"]) == pytest.approx(Decimal("4.999"), rel=Decimal("0.03"))
    assert Decimal(found["volts at the tap after OFF"]["value"]) == 0


def test_a_tap_that_leads_nowhere_is_found(rig: Rig) -> None:
    """A check that cannot fail is none: off must look off because it is, not because nobody is connected."""
    made = verifier(rig)
    rig.world.fixture.channels.pop("tap-shunt-200m")  # its relay closes, and its wire is broken
    found = made.verify(("continuity",))
    seen = checks(found)
    assert seen["volts at the tap while on"]["outcome"] == "fail" and seen["volts at the tap after OFF"]["outcome"] == "pass"
    assert found.results[0].outcome is Outcome.FAIL


def test_a_tap_whose_current_is_of_another_kind_than_said_is_found(rig: Rig) -> None:
    loads = tuple(dataclasses.replace(each, tap=each.tap and "ac") for each in STATION.known_loads)
    rig.station = dataclasses.replace(rig.station, known_loads=loads)
    seen = checks(verifier(rig).verify(("continuity",)))
    assert seen["volts at the tap while on"]["outcome"] == "fail"


def test_a_residual_meter_that_does_not_answer_is_no_dead_tap(rig: Rig) -> None:
    made = verifier(rig)
    rig.world.set_fault("overloaded", "residual")
    assert made.verify(("continuity",)).results[0].outcome is not Outcome.PASS


def test_without_a_tap_it_is_told_that_a_silent_one_is_not_shown(rig: Rig) -> None:
    loads = tuple(dataclasses.replace(each, tap="") for each in STATION.known_loads)
    rig.station = dataclasses.replace(rig.station, known_loads=loads)
    made = verifier(rig)
    stuck(rig, "stuck-silent", "continuity")
    found = made.verify(("continuity",))
    assert found.results[0].outcome is Outcome.PASS
    (note,) = found.notes
    assert "does not show that the output of continuity really goes off" in note and "Give a known load" in note
    assert _words(rig.station, found, {})[-1] == f"note: {note}"
    roles = {name: page.role for name, page in PAGES.items()}
    assert note in not_shown(rig.station, roles) and note not in not_shown(STATION, roles)
    assert made.verify(("resistance",)).notes == ()


def test_a_tapped_shunt_comes_first(rig: Rig) -> None:
    steps = verifier(rig).plan(("continuity",)).plan.steps
    assert [each.name for each in steps] == ["continuity on shunt-200m", "continuity on shunt-50m"]
    assert "residual_meter" in steps[0].roles() and "residual_meter" not in steps[1].roles()


# -- the bands ------------------------------------------------------------------------------------------------------


def test_the_bands_of_the_demo_station() -> None:
    """Off: 2 hypot(1 V/sqrt 3, 0.1 V/sqrt 12) = 1.156 V. On: 5 V, with 1.05 V for the 1 V, and what the ohms bring.

    A digit of a display is rectangular over its whole width (JCGM 100:2008 F.2.2.1; from memory).
    """
    off = dead_band(expanded(SPAN, 0.0))
    assert off.at_most is not None and float(off.at_most) == pytest.approx(2 * math.hypot(3 ** -0.5, 0.1 / 12 ** 0.5), abs=0.001)
    on = band_around(volts_at(Known(25.0, 0.0, "the tester"), SHUNT), expanded(SPAN, 5.0), "V")
    assert on.at_least is not None and float(on.at_least) == pytest.approx(
        5 - 2 * math.hypot(1.05 / 3 ** 0.5, 0.1 / 12 ** 0.5), abs=0.002)


@given(st.floats(0.001, 2.0), st.floats(1.0, 30.0), st.sampled_from(["dc", "ac"]))
def test_a_tap_is_refused_or_its_two_bands_have_nothing_in_common(ohms: float, amps: float, kind: str) -> None:
    """So that no reading can ever be called both on and off."""
    load = dataclasses.replace(SHUNT, resistance=Quantity(Decimal(repr(ohms)), "ohm"), tap=kind)
    try:
        refuse_tap(load, Quantity(Decimal(repr(amps)), "A"), lambda *_: SPAN)
    except Refused:
        return
    reference = volts_at(Known(amps, 0.0, "the tester"), load)
    on, off = band_around(reference, expanded(SPAN, reference.value), "V"), dead_band(expanded(SPAN, 0.0))
    assert on.at_least is not None and off.at_most is not None and on.at_least.base > off.at_most.base
    assert judge(off, Reading("volts", on.at_least.base, "V")).outcome is Outcome.FAIL


def test_what_cannot_be_told_from_nothing_or_is_of_nobody_knows_what_accuracy_is_refused() -> None:
    tapped = dataclasses.replace(SMALL, tap="dc")
    with pytest.raises(Refused, match=r"1\.25 V at its tap.*cannot tell from nothing.*Nothing was energised"):
        refuse_tap(tapped, parse("25 A"), lambda *_: SPAN)
    with pytest.raises(Refused, match="Nobody states how sure"):
        refuse_tap(SHUNT, parse("25 A"), lambda *_: dataclasses.replace(SPAN, accuracy=None))
    refuse_tap(SHUNT, parse("25 A"), lambda *_: SPAN)


# -- never with a test voltage ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("route", ["withstand", "power", "resistance"])
def test_no_step_closes_a_tap_on_another_way_than_continuity(rig: Rig, route: str) -> None:
    bench = verifier(rig)._bare_bench()
    with pytest.raises(StationFault, match="a test voltage may never come to one"), \
            bench.connected(route, Connections(closed=at_tap(SHUNT).closed)):
        pytest.fail("it was closed")
    assert not rig.world.closed
    with bench.connected("continuity", with_tap(SHUNT)):
        assert rig.world.closed == {137, 138}


def test_a_tap_that_stays_closed_lets_nothing_be_connected(rig: Rig) -> None:
    bench = verifier(rig)._bare_bench()
    rig.world.switch([138], True)
    with pytest.raises(StationFault, match="channel 138 is closed"), bench.connected("withstand", Connections()):
        pytest.fail("it was connected")


def test_the_relays_of_taps_are_verified_with_the_others(rig: Rig) -> None:
    found = verifier(rig).verify(("switching",)).results[0]
    assert "relay tap-shunt-200m closed and opened" in [each["reading"] for each in found.checks]


TEXT = (ROOT / "simulators/demo-station.yaml").read_text("utf-8")
AT_LOAD, AT_CHANNELS = "tap: dc}", "  tap-shunt-200m: 138"
WRONG = {
    "at a load for withstand": [("volts: 2 kV, power: 4 W, duty: 10 s}", "volts: 2 kV, power: 4 W, duty: 10 s, tap: ac}"),
                                (AT_CHANNELS, f"  tap-volts-1m: 139\n{AT_CHANNELS}")],
    "at a load for the supply": [("volts: 250 V, power: 1.5 kW, duty: 10 s}", "volts: 250 V, power: 1.5 kW, duty: 10 s, tap: ac}"),
                                 (AT_CHANNELS, f"  tap-heat-46: 139\n{AT_CHANNELS}")],
    "without its relay": [(AT_CHANNELS, "  release: 138")],
    "a relay without its tap": [(",\n               tap: dc}", "}")],
    "a relay of no load": [(AT_CHANNELS, f"  tap-other: 139\n{AT_CHANNELS}")],
    "one channel with the withstand tester": [(AT_CHANNELS, "  tap-shunt-200m: 120")],
    "of no kind of current": [("tap: dc}", "tap: yes}")],
}
SAYS = {
    "at a load for withstand": "a tap on a known load for withstand, whose voltage it would carry",
    "at a load for the supply": "a tap on a known load for supply",
    "without its relay": "'tap-shunt-200m' is no connection of this station",
    "a relay without its tap": "'tap-shunt-200m' is the tap of no known load",
    "a relay of no load": "'tap-other' is the tap of no known load",
    "one channel with the withstand tester": "channel 120 is also 'route-withstand'",
    "of no kind of current": "'yes'",
}


@pytest.mark.parametrize("name", WRONG)
def test_a_station_file_whose_tap_could_carry_a_test_voltage_or_nothing_is_refused(tmp_path: Path, name: str) -> None:
    text = TEXT
    for before, after in WRONG[name]:
        assert before in text
        text = text.replace(before, after)
    path = tmp_path / "station.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileMistakes, match=SAYS[name]):
        load_station(path)


def test_a_residual_meter_that_cannot_bear_the_ceiling_reads_no_tap(rig: Rig) -> None:
    """The crest of 2000 V is 2828 V, and a meter is rated for no more than it reads to, as far as its page says."""
    page = PAGES["residual"]
    gives = page.gives["volts_peak"]
    for most, refused in (("2820 V", True), ("2830 V", False)):
        ranges = (*gives.ranges[:-1], dataclasses.replace(gives.ranges[-1], to=parse(most)))
        pages = {**PAGES, "residual": dataclasses.replace(
            page, gives={"volts_peak": dataclasses.replace(gives, ranges=ranges)})}
        assert bool(not_rated(STATION, pages)) is refused
    assert not_rated(dataclasses.replace(STATION, known_loads=()), {}) == []
    assert "no residual meter" in not_rated(STATION, {})[0]
    small = {**PAGES, "residual": dataclasses.replace(page, gives={"volts_peak": dataclasses.replace(
        gives, ranges=(dataclasses.replace(gives.ranges[-1], to=parse("300 V")),))})}
    with pytest.raises(Refused, match="2828 V can stand at its input"):
        verifier(rig, pages=small).verify(("continuity",))
    assert not any(each.get("output") == "on" for each in rig.world.changes)


def test_check_of_a_station_file_says_that_its_residual_meter_may_read_no_tap(
        tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    page, station = tmp_path / "small.yaml", tmp_path / "station.yaml"
    page.write_text((ROOT / "drivers/dv-2.yaml").read_text("utf-8").replace("to: 9 kV", "to: 2.5 kV"), encoding="utf-8")
    station.write_text(TEXT.replace("drivers/dv-2.yaml", str(page)), encoding="utf-8")
    assert main(["check", str(station)]) == 2
    assert "residual reads to 2.5 kV only; 2828 V can stand at its input" in capsys.readouterr().out
    station.write_text(TEXT, encoding="utf-8")
    assert main(["check", str(station)]) == 0
    assert "really goes off" not in capsys.readouterr().out
