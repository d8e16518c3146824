"""Every code of a finding has a faulty sequence, or a faulty station, that gives it; the sound ones give none of them."""

import ast
import dataclasses
import re
from decimal import Decimal
from pathlib import Path
from statistics import NormalDist
from typing import Any

import pytest

from eolseq.__main__ import main
from eolseq.bands.decision import MULTIPLE, RISK, Rule
from eolseq.bands.uncertainty import read_accuracy
from eolseq.guard.watcher import OFF_SECONDS
from eolseq.hazard import discharge_seconds
from eolseq.instruments.page_model import Page
from eolseq.instruments.spans import Known
from eolseq.quantity import parse
from eolseq.sequence import bench
from eolseq.sequence.finding import Finding
from eolseq.sequence.findings import findings, fits_station
from eolseq.sequence.load import load_sequence
from eolseq.sequence.model import Sequence
from eolseq.sequence.safety import charged, peak_volts
from tests.sequence.faulty import FAULTY, LAST_STEP, Faulty
from tests.sequence.test_bad_inputs import PAGES, STATION
from tests.sequence.test_findings import CONTINUITY, HEAD, MOTOR, SHORT, STAGE, TEXT, WITHSTAND, sequence_of

FOLDER = Path("eolseq/sequence")
NOTES = {"hazard", "no-row"}


def codes_in_the_program() -> set[str]:
    """The first text of every Finding, and the second argument of every finding about a step."""
    found = set()
    for path in FOLDER.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("Finding", "about"):
                code = node.args[0 if node.func.id == "Finding" else 1]
                found |= {code.value} if isinstance(code, ast.Constant) else set()
            if isinstance(node, ast.Tuple) and len(node.elts) == 4 and isinstance(node.elts[2], ast.Constant):
                found |= {str(node.elts[2].value)} if str(node.elts[2].value).startswith("no-") else set()
    return found


def edited(tmp_path: Path, faulty: Faulty) -> Sequence:
    text = TEXT
    for old, new in faulty.edits:
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    path = tmp_path / "faulty.yaml"
    path.write_text(text, encoding="utf-8")
    return load_sequence(path)


@pytest.mark.parametrize("faulty", FAULTY, ids=[f"{each.code}-{index}" for index, each in enumerate(FAULTY)])
def test_a_faulty_sequence(faulty: Faulty, tmp_path: Path) -> None:
    here = [each for each in findings(edited(tmp_path, faulty)) if each.code == faulty.code and faulty.words in each.sentence]
    assert len(here) == 1
    assert (here[0].severity, here[0].place.line) == (faulty.severity, faulty.line), here[0]


def test_the_sound_one_has_nothing_but_notes() -> None:
    found = findings(load_sequence(Path("tests/sequence/sound.yaml")))
    assert {each.code for each in found} == NOTES
    assert {each.severity for each in found} == {"note"}


def test_the_same_once_more(tmp_path: Path) -> None:
    """A second withstand test of the same conductors is counted, and a lower one is no test."""
    again = WITHSTAND.replace("name: Withstand", "name: Again")
    lower = again.replace("1230 V", "1210 V")
    for second, expected in ((again, {"repeated-withstand"}), (lower, {"repeated-withstand", "reduced-retest"})):
        found = findings(sequence_of(tmp_path, CONTINUITY, STAGE, SHORT, WITHSTAND, second, MOTOR))
        assert {each.code for each in found if "'Again'" in each.sentence} - NOTES == expected
    other = again.replace("tied: [L, N]", "tied: [control, common]")
    found = findings(sequence_of(tmp_path, CONTINUITY, STAGE, SHORT, WITHSTAND, other, MOTOR))
    assert not [each for each in found if each.code == "repeated-withstand"]


@pytest.mark.parametrize(("protection", "severity"), [("I", "error"), ("II", "warning")])
def test_power_before_withstand(protection: str, severity: str, tmp_path: Path) -> None:
    head = HEAD.replace("protection_class: I\n", f"protection_class: {protection}\n")
    found = findings(sequence_of(tmp_path, CONTINUITY, STAGE, SHORT, MOTOR, WITHSTAND, head=head))
    assert [each.severity for each in found if each.code == "power-before-withstand"] == [severity]
    assert not [each for each in findings(sequence_of(tmp_path, CONTINUITY, STAGE, SHORT, WITHSTAND, MOTOR, head=head))
                if each.code == "power-before-withstand"]


@pytest.mark.parametrize("proof", ["reconnected", "closed"])
def test_a_part_that_a_later_step_shows(proof: str, tmp_path: Path) -> None:
    off = WITHSTAND.replace("tied: [L, N], ", "tied: [L, N], disconnected: [control-board], ")
    shown = MOTOR.replace("connections: {", "connections: {reconnected: [control-board], ") if proof == "reconnected" \
        else MOTOR.replace("closed: [", "closed: [{part: control-board, by: relay, delay: 0 s}, ")
    assert "not-reconnected" not in {each.code for each in findings(sequence_of(tmp_path, CONTINUITY, STAGE, SHORT, off, shown))}
    before = STAGE.replace("connections: {", "connections: {reconnected: [control-board], ")
    assert "not-reconnected" in {each.code for each in findings(sequence_of(tmp_path, CONTINUITY, before, SHORT, off, MOTOR))}


def test_what_is_charged_depends_on_what_is_tied(tmp_path: Path) -> None:
    stored = ("  stored_charge:\n    - {between: [L, N], capacitance: 6 uF, bleeder: 150 kohm}\n"
              "    - {between: [L, earth], capacitance: 4 nF, bleeder: 10 Mohm}\n")
    sequence = sequence_of(tmp_path, CONTINUITY, STAGE, SHORT, WITHSTAND, MOTOR, head=HEAD.replace("steps:\n", stored + "steps:\n"))
    found = {step.kind: [each.between for each in charged(sequence, step)] for step in sequence.steps}
    assert found == {"ground_continuity": [], "heater_resistance": [], "dielectric_withstand": [("L", "earth")],
                     "motor_current": [("L", "N"), ("L", "earth")]}
    assert peak_volts(sequence.steps[4]) == pytest.approx(339.41, abs=0.01)


def test_the_demo_units_discharge_in_time() -> None:
    """R C ln(V0/Vs), the arithmetic of any textbook: 6 uF through 150 kohm from 339.4 V to 60 V."""
    assert discharge_seconds(150e3, 6e-6, 339.41, 60) == pytest.approx(1.5596, abs=1e-3)


# -- the station ------------------------------------------------------------------------------------------------

SOUND = load_sequence(Path("tests/sequence/sound.yaml"))


def codes(found: list[Finding]) -> set[tuple[str, str]]:
    return {(each.code, each.severity) for each in found}


def worse(role: str, accuracy: str | None) -> dict[str, Page]:
    """The station's pages with every range of one role at another accuracy."""
    pages = dict(PAGES)
    for name, page in PAGES.items():
        if page.role == role:
            gives = {key: dataclasses.replace(given, ranges=tuple(dataclasses.replace(
                each, stated=read_accuracy(accuracy, _dimension(given.unit)) if accuracy else None) for each in given.ranges))
                for key, given in page.gives.items()}
            pages[name] = dataclasses.replace(page, gives=gives)
    return pages


def _dimension(unit: str) -> str:
    return parse(f"1 {unit}").dimension


def known(role: str, reading: str, what: Known) -> Any:
    """The station with something known of one reading of the instrument of a role."""
    name = next(name for name, page in PAGES.items() if page.role == role)
    return dataclasses.replace(STATION, instruments=tuple(
        dataclasses.replace(each, known={reading: what}) if each.name == name else each for each in STATION.instruments))


def guarded(**times: float) -> Any:
    return dataclasses.replace(STATION, guard=dataclasses.replace(STATION.guard, **times))


def on_serial_line(baud: int) -> tuple[Any, dict[str, Page]]:
    """The station with its guard unit at a serial line."""
    name = next(name for name, page in PAGES.items() if page.role == "guard_unit")
    station = dataclasses.replace(STATION, instruments=tuple(
        dataclasses.replace(each, address="ASRL/dev/ttyS0::INSTR") if each.name == name else each for each in STATION.instruments))
    page = PAGES[name]
    return station, {**PAGES, name: dataclasses.replace(page, line=dataclasses.replace(page.line, baud=baud))}


def test_the_sound_sequence_on_the_demo_station() -> None:
    found = fits_station(SOUND, STATION, PAGES)
    assert codes(found) == {("trip-time", "note"), ("poor-stimulus", "note"), ("no-connection", "error")}
    assert "at worst 152 ms" in next(each.sentence for each in found if each.code == "trip-time")


def test_an_instrument_that_is_too_poor_is_told_what_would_do() -> None:
    found = [each for each in fits_station(SOUND, STATION, worse("resistance_meter", "3 % of reading")) if each.code == "too-poor"]
    assert [(each.severity, each.place.line) for each in found] == [("warning", 27)]
    words = found[0].sentence
    assert "reaches 2:1 where 4:1 is wanted" in words and "% of the band is undecided" in words
    # By hand: half of 17.84 to 20.81 over 4 and over 2 is 0.1856 ohm standard; times the root of 3 is 0.32 ohm.
    assert "an accuracy within 0.32 ohm at 20.81 ohm would do" in words
    enough = fits_station(SOUND, STATION, worse("resistance_meter", "0.32 ohm"))
    assert not [each for each in enough if each.code == "too-poor" and each.place.line == 27]


def test_an_instrument_that_lets_nothing_pass() -> None:
    found = [each for each in fits_station(SOUND, STATION, worse("resistance_meter", "15 % of reading")) if each.code == "too-poor"]
    assert "nothing can pass" in found[0].sentence


def test_a_better_certificate_is_enough_and_bad_leads_are_not() -> None:
    pages = worse("resistance_meter", "3 % of reading")
    better = known("resistance_meter", "resistance", Known(read_accuracy("0.1 % of reading, k = 2", "ohm"), "C-1"))
    assert "too-poor" not in {each.code for each in fits_station(SOUND, better, pages)}
    leads = known("resistance_meter", "resistance", Known(leads=Decimal(2)))
    found = [each for each in fits_station(SOUND, leads, PAGES) if each.code == "too-poor"]
    assert "no accuracy would do" in found[0].sentence


def test_an_accuracy_that_nobody_states() -> None:
    found = [each for each in fits_station(SOUND, STATION, worse("current_meter", None)) if each.code == "accuracy-unknown"]
    assert [(each.severity, each.place.line) for each in found] == [("warning", 55)]


def test_the_rule_of_the_sequence_goes_before_the_stations(tmp_path: Path) -> None:
    """Guarded by 3 U nothing is too poor that reaches 4:1; the findings follow the rule that will be judged by."""
    strict = dataclasses.replace(STATION, decision=Rule(RISK, risk=Decimal("0.000001")))
    pages = worse("resistance_meter", "10 % of reading")
    by_station = next(each for each in fits_station(SOUND, strict, pages) if each.code == "too-poor")
    assert "nothing can pass" in by_station.sentence
    own = dataclasses.replace(SOUND, decision=Rule(MULTIPLE, multiple=Decimal("0.1")))
    by_sequence = next(each for each in fits_station(own, strict, pages) if each.code == "too-poor")
    assert "% of the band is undecided" in by_sequence.sentence


def test_a_stated_spread_gives_both_risks(tmp_path: Path) -> None:
    stage = STAGE.replace("    connections", "    spread: {centre: 19.3 ohm, deviation: 0.5 ohm, basis: invented}\n    connections")
    found = [each for each in fits_station(sequence_of(tmp_path, CONTINUITY, stage, SHORT, WITHSTAND, MOTOR), STATION, PAGES)
             if each.code == "risk"]
    assert [(each.severity, each.place.line) for each in found] == [("note", 28)]
    outside = NormalDist().cdf(-1.46 / 0.5) + NormalDist().cdf(-1.51 / 0.5)
    assert f"of a million units {outside * 1e6:.0f} are outside" in found[0].sentence
    assert "consumer's risk" in found[0].sentence and "producer's risk" in found[0].sentence


def test_a_reading_that_the_driver_page_does_not_give() -> None:
    station = known("resistance_meter", "volts", Known())
    assert ("unknown-reading", "error") in codes(fits_station(SOUND, station, PAGES))


def test_no_meter_and_a_slow_discharge(tmp_path: Path) -> None:
    head = HEAD.replace("  metal_parts: [panel, frame]\n", "  metal_parts: [panel, frame]\n  stored_charge: [{between: [L, N], "
                        "capacitance: 6 uF, bleeder: 150 kohm}]\n")
    sequence = sequence_of(tmp_path, CONTINUITY, STAGE, SHORT, WITHSTAND, MOTOR, head=head)
    blind = {name: page for name, page in PAGES.items() if page.role != "residual_meter"}
    assert ("slow-for-access", "error") not in codes(fits_station(sequence, STATION, blind))  # 1.56 s, and 2 s to get there
    quick = guarded(access=1.5)
    assert ("slow-for-access", "error") in codes(fits_station(sequence, quick, blind))
    assert ("slow-for-access", "error") not in codes(fits_station(sequence, quick, PAGES))  # locked until seen dead


def test_a_guard_that_stops_too_late() -> None:
    assert ("slow-trip", "error") in codes(fits_station(SOUND, guarded(access=0.15), PAGES))
    assert ("slow-trip", "error") not in codes(fits_station(SOUND, guarded(access=0.16), PAGES))


@pytest.mark.parametrize(("baud", "code"), [(115200, "trip-time"), (9600, "slow-guard-link")])
def test_a_guard_unit_at_a_serial_line(baud: int, code: str) -> None:
    station, pages = on_serial_line(baud)
    found = next(each for each in fits_station(SOUND, station, pages) if each.code in ("trip-time", "slow-guard-link"))
    assert found.code == code
    if code == "trip-time":
        assert "ms if the guard unit answers at once" in found.sentence and ": 2.0 ms" not in found.sentence


def test_the_time_for_off_is_the_watchers() -> None:
    assert bench.OFF_SECONDS == OFF_SECONDS


BY_THE_STATION = {"no-instrument", "off-range", "ceiling", "no-connection", "no-zero",  # tests/sequence/bad_inputs.py, test_findings.py
                  "too-poor", "accuracy-unknown", "poor-stimulus", "risk", "unknown-reading", "slow-for-access", "slow-trip",
                  "slow-guard-link", "trip-time"}
BY_ORDER = {"order", "no-continuity", "no-short-check", "no-withstand", "no-fan-current",  # test_findings.py
            "power-before-withstand", "repeated-withstand", "reduced-retest"}


def test_every_code_is_in_the_manual_and_no_other() -> None:
    page = Path("eolseq/manual/findings.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^\| `([a-z-]+)` \|", page, re.M)) == codes_in_the_program()


def test_every_code_has_its_row() -> None:
    assert codes_in_the_program() == {each.code for each in FAULTY} | BY_THE_STATION | BY_ORDER


# -- strict -----------------------------------------------------------------------------------------------------

def test_strict_counts_warnings_and_not_notes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "warned.yaml"
    path.write_text(TEXT.replace("trip: 5 mA", "trip: 6 mA"), encoding="utf-8")
    assert main(["check", str(path)]) == 0
    assert "warning: step 'Withstand': the trip of 6 mA" in capsys.readouterr().out
    assert main(["check", "--strict", str(path)]) == 2
    assert main(["check", "--strict", "tests/sequence/sound.yaml"]) == 0


def test_a_last_step_of_power_input_is_sound(tmp_path: Path) -> None:
    found = findings(sequence_of(tmp_path, CONTINUITY, STAGE, SHORT, WITHSTAND, MOTOR,
                                 LAST_STEP.replace("current_limit: 20 A", "current_limit: 30 A")))
    assert {each.code for each in found} == NOTES
