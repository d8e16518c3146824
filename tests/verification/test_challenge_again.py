"""A station that was changed is challenged once, and not in a circle: whole challenges in virtual time. Invented plant."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from eolseq.__main__ import main
from eolseq.bands.band import Outcome
from eolseq.commands.challenge import gates_of_challenge, late_words, record, references_of, show_all
from eolseq.commands.checking import unshown_words
from eolseq.commands.run import bay_of
from eolseq.engine.run import RunResult, UnitRun
from eolseq.records.fixture_entries import Fixture
from eolseq.records.tail import newest_first
from eolseq.sequence.load import load_sequence
from eolseq.station.checks import Challenges, Checks, Demand, Reference
from eolseq.verification.challenge import serial_of
from tests.rig import ROOT
from tests.verification.fixture_rig import FixtureRig

NESTS = """
fixtures:
  nest-6:
    fits: [DH-6]
    plug: 4.7 kohm
    inspect_every: 90
    baseline: {voltage: 1230 V, at_least: 10 uA, at_most: 60 uA, earth_current: 0.5 A, good_for: 7}
  nest-3: {fits: [DH-3], plug: 10 kohm}
"""
ASKS = Checks(Demand("never"), Demand("day"))
EARTH_OPEN = "Earth path to every metal part"
SMALL = load_sequence(ROOT / "sequences/duct-heater-3kw.yaml")


def two(name: str, sequence: str) -> Challenges:
    """A good unit and one without its earth screw."""
    return Challenges(f"sequences/{sequence}", (
        Reference(f"good{name}", "sound", "", "", "", ""),
        Reference(f"open-earth{name}", "no earth screw", EARTH_OPEN, "", "no earth path", "no-earth-screw")))


class Changing(FixtureRig):
    """A station with two nests, where units are refused until it was challenged."""

    def __init__(self, folder: Path, monkeypatch: pytest.MonkeyPatch, *, also: tuple[Challenges, ...] = ()) -> None:
        one = replace(two("", "duct-heater-6kw.yaml"), also=also)
        super().__init__(folder, monkeypatch, fixtures=NESTS, checks=ASKS, challenges=one)

    def challenge(self, which: int = 0) -> str:
        """A challenge as the command makes it; how it ended."""
        assert self.station.challenges is not None
        wanted = references_of(self.station, self.station.challenges.every[which], self.pages)
        gates, _ = gates_of_challenge(wanted.sequence, self.opened, self.pages, self.log, self.clock)
        bay = bay_of(self.opened, self.pages)

        def test(reference: Reference) -> RunResult:
            unit = UnitRun(self.clock, wanted.sequence, bay, self.log, self.events.append, self._acknowledge, gates,
                           reference=True)
            return unit.run(serial_of(reference))

        shown, ended = show_all(self.station, wanted, self.world.obey, self.events.append, test)
        if ended is not None:
            return ended.sentence
        late = late_words(wanted.sequence, self.opened, self.pages, self.log, self.clock.now())
        record(self.log, self.station, wanted.challenge, wanted.sequence, self.pages, shown, "tester", late=late)
        return " ".join(each.outcome for each in shown)

    def nest(self, ohms: float) -> None:
        """Another nest is put to the bay."""
        self.world.fixture.plug = ohms

    def small(self) -> RunResult:
        """A small unit through its own sequence."""
        large, self.sequence = self.sequence, SMALL
        try:
            return self.gated("DH3-00000001")
        finally:
            self.sequence = large

    def inspect(self) -> None:
        """Somebody has had the nest in hands."""
        self.log.append(Fixture(fixture="nest-6", what="inspected", outcome="pass", sentence="clean", by="m-1",
                                station_digest=self.station.digest))


@pytest.fixture
def changing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    rigs: list[Changing] = []

    def one(**changes: Any) -> Changing:
        rigs.append(Changing(tmp_path, monkeypatch, **changes))
        rigs[-1].open()
        rigs[-1].inspect()
        assert rigs[-1].measured("baseline", "empty")[0].outcome is Outcome.PASS
        return rigs[-1]

    yield one
    for rig in rigs:
        rig.close()


def test_a_mended_fixture_wants_a_challenge_once_and_not_in_a_circle(changing: Any) -> None:
    rig = changing()
    assert "never challenged" in rig.gated().sentence
    assert rig.challenge() == "caught caught"
    assert [rig.gated().outcome for _ in range(2)] == [Outcome.PASS] * 2, "the fixture was found there by the challenge"
    rig.inspect()
    refused = rig.gated()
    assert refused.outcome is Outcome.REFUSED and "inspected or mended" in refused.sentence
    assert "eolseq challenge" in refused.sentence
    assert rig.challenge() == "caught caught" and rig.gated().outcome is Outcome.PASS
    rig.world.fixture.pallet = 0.05  # an accidental earth
    assert rig.measured("baseline", "empty")[0].outcome is Outcome.FAIL
    assert "baseline" in rig.challenge(), "reference units are not shown on a fixture that is not in order"
    rig.world.fixture.pallet = 1e9
    assert rig.measured("baseline", "empty")[0].outcome is Outcome.PASS
    assert "was not in order" in rig.gated().sentence
    assert rig.challenge() == "caught caught" and rig.gated().outcome is Outcome.PASS
    entries = [each.payload for each in rig.log.documents if each.kind == "challenge"]
    assert {(each["fixture"], each["bay"]) for each in entries} == {("nest-6", "bay-1")}


def test_after_another_nest_was_there_the_first_unit_is_refused_and_one_challenge_is_enough(changing: Any) -> None:
    rig = changing()
    assert rig.challenge() == "caught caught" and rig.gated().outcome is Outcome.PASS
    rig.nest(10e3)
    assert rig.small().outcome is Outcome.PASS, "no reference unit fits it, and the one challenge counts"
    assert rig.small().outcome is Outcome.PASS
    rig.nest(4.7e3)
    refused = rig.gated()
    assert refused.outcome is Outcome.REFUSED and "Fixture nest-3 was put to the bay" in refused.sentence
    assert rig.challenge() == "caught caught" and rig.gated().outcome is Outcome.PASS


def test_where_each_sequence_has_its_challenge_each_changeover_wants_that_one(changing: Any) -> None:
    rig = changing(also=(two("-3", "duct-heater-3kw.yaml"),))
    assert "--sequence sequences/duct-heater-6kw.yaml" in rig.gated().sentence
    assert rig.challenge() == "caught caught" and rig.gated().outcome is Outcome.PASS
    assert "Connect the fixture nest-3" in rig.challenge(1), "the wrong nest is refused before anything is energised"
    rig.nest(10e3)
    refused = rig.small()
    assert "never challenged with Duct heater 3 kW" in refused.sentence
    assert "--sequence sequences/duct-heater-3kw.yaml" in refused.sentence
    assert rig.challenge(1) == "caught caught" and rig.small().outcome is Outcome.PASS
    rig.nest(4.7e3)
    assert "nest-3 was put to the bay" in rig.gated().sentence
    assert rig.challenge() == "caught caught" and rig.gated().outcome is Outcome.PASS


def test_a_nest_exchanged_in_the_middle_of_a_challenge_was_not_shown_everything(changing: Any) -> None:
    rig = changing()
    shown: list[str] = []

    def exchanged(event: Any) -> None:
        if "reference unit 'open-earth'" in getattr(event, "text", ""):
            rig.log.append(Fixture(fixture="nest-3", what="mounted", outcome="pass", sentence="", by="the program",
                                   station_digest=rig.station.digest))
            shown.append("exchanged")

    rig.events = type("Events", (list,), {"append": lambda self, event: exchanged(event)})()
    assert rig.challenge() == "caught caught" and shown
    assert "was put to the bay" in rig.gated().sentence
    assert rig.challenge() == "caught caught"  # by now the log has both entries behind it


def test_a_shift_that_ended_without_its_challenge_is_marked_by_the_next_one(changing: Any) -> None:
    rig = changing()
    now = rig.clock.now()
    minutes = (now.hour * 60 + now.minute + 1) % 1440
    rig.station = rig.opened.station = replace(rig.station, checks=Checks(
        Demand("never"), Demand("day", at_end=True), (minutes,)))
    assert rig.challenge() == "caught caught" and rig.gated().outcome is Outcome.PASS
    rig.clock.sleep(61)
    assert "A shift ended without its challenge" in rig.gated().sentence
    assert rig.challenge() == "caught caught" and rig.gated().outcome is Outcome.PASS
    marks = [each for each in newest_first(rig.log.path, rig.log.origin, frozenset({"remark"}))
             if each["serial"] is None and "A shift ended" in each["reason"]]
    assert len(marks) == 1


def test_what_a_miss_makes_suspect_reaches_back_to_the_challenge_before_it(changing: Any, monkeypatch: pytest.MonkeyPatch,
                                                                           capsys: pytest.CaptureFixture[str]) -> None:
    rig = changing()
    assert rig.challenge() == "caught caught" and rig.gated().outcome is Outcome.PASS
    assert rig.station.challenges is not None
    good, bad = rig.station.challenges.references
    rig.station = rig.opened.station = replace(rig.station, challenges=replace(
        rig.station.challenges, references=(good, replace(bad, simulated=""))))  # a reference unit that is sound
    assert rig.challenge() == "caught missed"
    words = unshown_words(Path(rig.station.records), "bay-1")
    assert "1 unit with no passed challenge after it" in words[1] and "DH6-00000001" in words[2]
    monkeypatch.chdir(Path(rig.station.records).parent)
    assert main(["suspects"]) == 0 and "DH6-00000001" in capsys.readouterr().out
    assert main(["suspects", "--json"]) == 0 and '"units": [' in capsys.readouterr().out
