"""``eolseq people``, ``rework``, ``release`` and ``void`` as people use them, on a real station's log and on a simulated one."""

from __future__ import annotations

import json
import re
import shutil
from contextlib import nullcontext
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.commands import signing
from eolseq.line.unit_state import Standing, state_of
from eolseq.records.approvals import Standing as Documents
from eolseq.records.audit import audit
from eolseq.records.reader import Records
from eolseq.station.file import load_station
from tests.commands.test_keys import make, with_passphrase
from tests.line.stories import UNIT, run_of, tell
from tests.rig import ROOT


@pytest.fixture(scope="module")
def enrolled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A real station's file, with keys enrolled; its instruments are not there, and are not needed."""
    folder = tmp_path_factory.mktemp("enrolled")
    text = (ROOT / "simulators/demo-station.yaml").read_text("utf-8")
    text = re.sub(r"(\n  ([a-z]+): +\{page: [^,]+,)", r'\1 address: "TCPIP0::\2.invalid::5025::SOCKET",', text)
    (folder / "bench.yaml").write_text(text.replace("simulated: simulators/demo-simulator.yaml\n", ""), "utf-8")
    with pytest.MonkeyPatch.context() as here:
        here.chdir(folder)
        make("q-1", "e-1", "m-1")
        assert with_passphrase("keys", "enrol", *(f"keys/{name}.pem.pub" for name in ("q-1", "e-1", "m-1")), "--station",
                               "bench.yaml", "--key", "keys/q-1.pem", "--reason", "first keys", "--yes") == 0
    return folder


@pytest.fixture
def station(enrolled: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A copy of that station for one test."""
    shutil.copytree(enrolled, tmp_path / "here")
    monkeypatch.chdir(tmp_path / "here")
    return "bench.yaml"


@pytest.fixture
def simulated(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    monkeypatch.chdir(tmp_path)
    shutil.copy(ROOT / "simulators/demo-station.yaml", "demo.yaml")
    return "demo.yaml"


def story(station: str, *outcomes: str, kind: str = "heater_resistance", reading: str = "resistance") -> None:
    with signing.open_log(load_station(Path(station))) as log:
        for outcome in outcomes:
            run_of(log, outcome, kind=kind, reading=reading)
        log.checkpoint()


def standing(station: str) -> tuple[Standing, bool]:
    with signing.open_log(load_station(Path(station))) as log:
        state = state_of(log, UNIT, load_station(Path(station)).rework)
        return state.standing, state.may_run


def by(name: str, *words: str) -> int:
    """A command that this person signs."""
    return with_passphrase(*words, "--key", f"keys/{name}.pem", "--yes")


def findings() -> list[str]:
    return [each.name for each in audit(Path("records/log.jsonl")).findings if each.name != "run not approved"]


# -- people -----------------------------------------------------------------------------------------------------

@pytest.mark.parametrize(("day", "says"), [("2020-06-30", "2020-06-30 is over"), ("2027-02-30", "is no day; write it like"),
                                           ("tomorrow", "is no day; write it like")])
def test_a_day_that_is_over_or_none_lets_nobody_test(station: str, day: str, says: str,
                                                     capsys: pytest.CaptureFixture[str]) -> None:
    words = ["people", "allow", "op-07", "--sequence", "all", "--until", day, "--reason", "trained", *AT]
    with pytest.raises(SystemExit) if "no day" in says else nullcontext():
        assert main(words) == 2
    assert says in capsys.readouterr().err


ALLOW = ("people", "allow", "op-07", "--sequence", "all", "--until", "2099-12-31", "--reason", "trained")
AT = ("--station", "bench.yaml")


def test_the_list_is_made_changed_and_shown(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert by("q-1", *ALLOW, *AT) == 0
    assert "  + op-07        until 2099-12-31: any sequence" in capsys.readouterr().out
    assert by("q-1", "people", "allow", "op-07", "tr-3", "--trainee", "--sequence", "A", "--sequence", "B", "--until",
              "2099-01-01", "--reason", "new rules", *AT) == 0
    said = capsys.readouterr().out
    assert "  * op-07        until 2099-01-01: 'A', 'B', as a trainee\n      was: op-07        until 2099-12-31" in said
    assert "  + tr-3 " in said
    assert by("q-1", "people", "remove", "op-07", "--reason", "left", *AT) == 0
    assert "  - op-07 " in capsys.readouterr().out
    assert main(["people", "show", *AT]) == 0
    said = capsys.readouterr().out
    assert "list number 3, entry 4, signed by q-1, because: left" in said and "op-07" not in said and "tr-3" in said
    assert findings() == []


def test_the_list_as_json(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert by("q-1", *ALLOW, *AT) == 0
    capsys.readouterr()
    assert main(["people", "show", *AT, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"number": 1, "index": 2, "people": {
        "op-07": {"sequences": ["all"], "until": "2099-12-31", "trainee": False}}}


def test_a_list_is_signed_on_another_computer_and_brought_over_once(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copytree("records", "copy")
    assert by("q-1", *ALLOW, "--records", "copy", "--out", "people.json") == 0
    carry = ("people", "carry", "--document", "people.json", *AT, "--yes")
    assert main([*carry]) == 0
    assert "+ op-07" in capsys.readouterr().out
    assert main([*carry]) == 3
    assert "an older one cannot come back" in capsys.readouterr().err
    assert Records.open(Path("records")).size == 3


WRONG_PEOPLE: dict[str, tuple[str | None, tuple[str, ...], int, str]] = {
    "an engineer": ("e-1", ALLOW, 3, "this needs quality"),
    "maintenance": ("m-1", ALLOW, 3, "this needs quality"),
    "no key": (None, ALLOW, 2, "Who signs?"),
    "a name": ("q-1", ("people", "allow", "anna", *ALLOW[3:]), 2, "a log cannot forget a name"),
    "no reason": ("q-1", ALLOW[:-2], 2, "The reason is missing"),
    "a blank reason": ("q-1", (*ALLOW[:-1], "  "), 2, "The reason is missing"),
    "remove a stranger": ("q-1", ("people", "remove", "op-9", "--reason", "x"), 2, "op-9 is not on the list"),
    "carry nothing": ("q-1", ("people", "carry", "--reason", "x"), 2, "brought over by 'carry' with --document"),
    "a document that is none": ("q-1", ("people", "carry", "--document", "bench.yaml"), 3, "no signed document"),
}


@pytest.mark.parametrize("name", WRONG_PEOPLE)
def test_wrong_lists_are_told_and_write_nothing(station: str, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    signer, words, code, said = WRONG_PEOPLE[name]
    size = Records.open(Path("records")).size
    assert (by(signer, *words, *AT) if signer else main([*words, *AT, "--yes"])) == code
    assert said in capsys.readouterr().err
    assert Records.open(Path("records")).size == size


def test_the_last_person_cannot_be_removed(station: str) -> None:
    assert by("q-1", *ALLOW, *AT) == 0
    assert by("q-1", "people", "remove", "op-07", "--reason", "left", *AT) == 3


# -- rework -----------------------------------------------------------------------------------------------------

DONE = ("--cause", "pinched wire", "--changed", "wire replaced")
NOTHING = ("--cause", "lead off", "--nothing-changed")


def test_a_rework_lets_the_unit_be_tested_again(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    story(station, "fail", kind="dielectric_withstand", reading="current")
    assert standing(station) == (Standing.FAILED, False)
    assert main(["rework", UNIT, *DONE, "--by", "op-07", *AT]) == 0
    assert "all of 'duct heater 6 kW', every step at its full value" in capsys.readouterr().out
    assert standing(station) == (Standing.REWORKED, True)
    assert main(["records", UNIT, *AT]) == 0
    said = capsys.readouterr().out
    assert "rework by op-07, after entry 4. Cause: pinched wire; changed: wire replaced" in said
    assert f"now {UNIT}: reworked (entry 5), attempt 1.\n  All of 'duct heater 6 kW' is to be repeated." in said
    assert findings() == []


def test_nothing_changed_after_a_safety_step_is_the_leads_word(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    story(station, "fail", kind="ground_continuity", reading="resistance front-panel")
    assert main(["rework", UNIT, *NOTHING, "--by", "op-07", *AT]) == 3
    assert "did not pass 'the step', and nothing was changed on it" in capsys.readouterr().err
    assert by("m-1", "rework", UNIT, "--lead", *NOTHING, *AT) == 3
    assert standing(station) == (Standing.FAILED, False)
    assert by("e-1", "rework", UNIT, "--lead", *NOTHING, *AT) == 0
    assert standing(station) == (Standing.REWORKED, True)
    entry = Records.open(Path("records")).about(UNIT)[0].payload
    assert (entry["by"], entry["lead"], entry["changed"]) == ("e-1", "yes", None)
    assert findings() == []


@pytest.mark.parametrize("lead", ["e-1", "q-1"])
def test_a_locked_unit_is_freed_by_the_lead_only(station: str, lead: str, capsys: pytest.CaptureFixture[str]) -> None:
    story(station, "stopped", "stopped")
    assert standing(station) == (Standing.LOCKED, False)
    assert main(["rework", UNIT, *NOTHING, "--by", "op-07", *AT]) == 0
    assert "It may not be tested yet. Unit DH6-00000001 is locked to the lead: 2 runs on it were stopped" in capsys.readouterr().out
    assert by(lead, "rework", UNIT, "--lead", *NOTHING, *AT) == 0
    assert standing(station) == (Standing.REWORKED, True)
    story(station, "stopped", "stopped")
    assert standing(station) == (Standing.LOCKED, False)


def test_the_leads_word_is_signed_elsewhere_and_serves_once(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    story(station, "fault", "stopped")
    shutil.copytree("records", "copy")
    assert by("e-1", "rework", UNIT, "--lead", *NOTHING, "--records", "copy", "--out", "word.json") == 0
    carry = ["rework", UNIT, "--document", "word.json", *AT]
    assert main(carry) == 0
    story(station, "fault", "stopped")
    assert main(carry) == 3
    assert "something else than the document" in capsys.readouterr().err
    assert standing(station) == (Standing.LOCKED, False)


WRONG_REWORK: dict[str, tuple[tuple[str, ...], int, str]] = {
    "a unit never tested": (("DH6-00000009", *DONE, "--by", "op-07"), 3, "was never tested"),
    "no cause": ((UNIT, "--changed", "x", "--by", "op-07"), 2, "The cause is missing"),
    "a blank cause": ((UNIT, "--cause", " ", "--changed", "x", "--by", "op-07"), 2, "The cause is missing"),
    "no change": ((UNIT, "--cause", "x", "--by", "op-07"), 2, "What was changed on the unit?"),
    "a blank change": ((UNIT, "--cause", "x", "--changed", "\t", "--by", "op-07"), 2, "What was changed is missing"),
    "nobody": ((UNIT, *DONE), 2, "Who did it?"),
    "a name": ((UNIT, *DONE, "--by", "anna"), 2, "a log cannot forget a name"),
    "a lead without a key": ((UNIT, *DONE, "--by", "op-07", "--lead"), 2, "Who signs?"),
    "a key without the lead": ((UNIT, *DONE, "--key", "keys/e-1.pem"), 2, "Only the lead's word is signed"),
    "a document that is none": ((UNIT, "--document", "bench.yaml"), 3, "no signed document"),
}


@pytest.mark.parametrize("name", WRONG_REWORK)
def test_wrong_reworks_are_told_and_write_nothing(station: str, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    story(station, "fail")
    words, code, said = WRONG_REWORK[name]
    size = Records.open(Path("records")).size
    assert main(["rework", *words, *AT, "--yes"]) == code
    assert said in capsys.readouterr().err
    assert Records.open(Path("records")).size == size and standing(station) == (Standing.FAILED, False)


def test_a_rework_of_a_unit_that_passed_takes_its_pass(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    story(station, "pass")
    assert main(["rework", UNIT, *DONE, "--by", "op-07", *AT]) == 0
    assert "What it had passed counts no more" in capsys.readouterr().out
    assert standing(station) == (Standing.REWORKED, True)


# -- release and void -------------------------------------------------------------------------------------------

WHY = ("--reason", "drawing allows it, change 31")


@pytest.mark.parametrize(("kind", "reading"), [("heater_resistance", "resistance"), ("motor_current", "current")])
def test_quality_releases_an_undecided_heater_or_motor(station: str, kind: str, reading: str,
                                                       capsys: pytest.CaptureFixture[str]) -> None:
    story(station, "undecided", kind=kind, reading=reading)
    assert by("q-1", "release", UNIT, *WHY, *AT) == 0
    assert standing(station) == (Standing.RELEASED, True)
    records = Records.open(Path("records"))
    entry = records.entry(records.size - 1).payload
    carried = Documents(records.documents)
    assert entry["kind"] == "release" and carried.holds(entry["index"])
    assert json.loads(entry["document"])["payloadType"] == "application/vnd.eolseq.release.v1+json"
    assert by("q-1", "release", UNIT, *WHY, *AT) == 3, "once is enough"
    assert findings() == []
    assert main(["void", UNIT, "--reason", "covers opened", "--by", "op-07", *AT]) == 0
    assert standing(station) == (Standing.VOIDED, True)


WRONG_RELEASE: dict[str, tuple[str, str, str, tuple[str, ...], int, str]] = {
    # outcome, kind, who signs, more words, exit code, what is said
    "an engineer": ("undecided", "heater_resistance", "e-1", WHY, 3, "this needs quality"),
    "maintenance": ("undecided", "heater_resistance", "m-1", WHY, 3, "this needs quality"),
    "no reason": ("undecided", "heater_resistance", "q-1", (), 2, "The reason is missing"),
    "by name": ("undecided", "heater_resistance", "q-1", (*WHY, "--by", "q-1"), 3, "for simulated stations only"),
    "a failure": ("fail", "heater_resistance", "q-1", WHY, 3, "The way out is rework and a full passing run"),
    "a pass": ("pass", "heater_resistance", "q-1", WHY, 3, "Only an undecided run can be released"),
    "an earth path": ("undecided", "ground_continuity", "q-1", WHY, 3, "never an earth path"),
    "a withstand": ("undecided", "dielectric_withstand", "q-1", WHY, 3, "The way out is rework and a full passing run"),
    "cut off": ("abandoned", "heater_resistance", "q-1", WHY, 3, "this one was cut off"),
}


@pytest.mark.parametrize("name", WRONG_RELEASE)
def test_there_is_no_other_concession(station: str, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    outcome, kind, signer, more, code, said = WRONG_RELEASE[name]
    story(station, outcome, kind=kind)
    size = Records.open(Path("records")).size
    assert by(signer, "release", UNIT, *more, *AT) == code
    assert said in capsys.readouterr().err
    assert Records.open(Path("records")).size == size and standing(station)[0] is not Standing.RELEASED


def test_a_release_is_of_the_latest_run_and_of_one_unit(station: str, capsys: pytest.CaptureFixture[str]) -> None:
    story(station, "undecided")
    shutil.copytree("records", "copy")
    assert by("q-1", "release", UNIT, *WHY, "--records", "copy", "--out", "release.json") == 0
    story(station, "undecided")
    assert main(["release", UNIT, "--document", "release.json", *AT]) == 3
    assert "something else than the document" in capsys.readouterr().err
    assert standing(station) == (Standing.UNDECIDED, False)
    assert main(["rework", UNIT, *NOTHING, "--by", "op-07", *AT]) == 0
    assert by("q-1", "release", UNIT, *WHY, *AT) == 3
    assert "There is nothing to release" in capsys.readouterr().err


@pytest.mark.parametrize("outcome", ["fail", "undecided", "stopped", "open"])
def test_there_is_no_pass_to_void(station: str, outcome: str, capsys: pytest.CaptureFixture[str]) -> None:
    story(station, outcome)
    assert main(["void", UNIT, "--reason", "opened", "--by", "op-07", *AT]) == 3
    assert "There is no pass to void" in capsys.readouterr().err
    assert main(["void", "DH6-00000009", "--reason", "opened", "--by", "op-07", *AT]) == 3
    assert main(["void", UNIT, "--by", "op-07", *AT]) == 2
    assert main(["void", UNIT, "--reason", "opened", *AT]) == 2


def test_a_pass_with_a_late_fail_of_an_earlier_check_can_be_void(station: str) -> None:
    """Else a new result of that check would give back the pass of a unit whose covers were opened meanwhile."""
    def told(event: str) -> Standing:
        with signing.open_log(load_station(Path(station))) as log:
            tell(log, event)
            return state_of(log, UNIT).standing

    story(station, "pass")
    assert told("leak fail 10") is Standing.LATE_FAIL
    assert main(["void", UNIT, "--reason", "covers opened", "--by", "op-07", *AT]) == 0
    assert told("leak pass 20") is Standing.VOIDED
    assert findings() == []


def test_a_simulated_station_takes_a_pseudonym_and_says_so(simulated: str, capsys: pytest.CaptureFixture[str]) -> None:
    place = ("--station", simulated)
    story(simulated, "undecided")
    assert main(["release", UNIT, *WHY, "--by", "q-1", *place]) == 0
    assert standing(simulated) == (Standing.RELEASED, True)
    story(simulated, "fail", kind="dielectric_withstand")
    assert main(["rework", UNIT, "--lead", *NOTHING, "--by", "e-1", *place]) == 0
    story(simulated, "pass")
    assert main(["void", UNIT, "--reason", "opened", "--by", "op-07", *place]) == 0
    assert capsys.readouterr().out.count("SIMULATED") == 3
    assert findings() == []


def test_retests_are_counted(simulated: str, capsys: pytest.CaptureFixture[str]) -> None:
    story(simulated, "fail", "pass")
    assert main(["records", "--retests", "--station", simulated]) == 0
    said = capsys.readouterr().out
    assert re.search(r"^op-1 +bay-1 +1 +1$", said, re.M) and f"{UNIT}: entry 3, then passed in entry 6" in said
    assert main(["records", "--retests", "--station", simulated, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["counted"] == [{"operator": "op-1", "bay": "bay-1", "retests": 1, "passes": 1}]
