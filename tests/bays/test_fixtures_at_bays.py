"""Fixtures where there are several bays: each bay reads its own plug, what is measured is of a fixture at a bay.

The invented plant, the DH-6 and every instrument are demo data.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands.fixture import measure
from eolseq.commands.gates import Setting, gates_of
from eolseq.engine.run import RunResult, UnitRun
from eolseq.engine.schedule import Job
from eolseq.errors import FileMistakes
from eolseq.quantity import parse
from eolseq.records.fixture_entries import Fixture
from eolseq.station.file import load_station
from eolseq.station.fixture_fields import BaselineRules, FixtureRules
from eolseq.verification.fixtures import cycles, mounted_last, told_of
from tests.bays_rig import BaysRig, of_bays
from tests.rig import ROOT

BASELINE = BaselineRules(parse("1230 V"), parse("10 uA"), parse("60 uA"), None, 7)
NESTS = (FixtureRules("nest-a", ("DH-6",), plug=parse("4.7 kohm")),
         FixtureRules("nest-b", ("DH-6",), plug=parse("10 kohm"), cycles=2))
PLUG = {"bay-1": 129, "bay-2": 229}
A, B = 4.7e3, 10e3


def with_nests(fixtures: tuple[FixtureRules, ...]) -> tuple[Any, Any]:
    """Station and simulator of two bays, each with the relay that a coded plug is read over."""
    station, simulator = of_bays(2)
    return (dataclasses.replace(station, fixtures=fixtures, places=tuple(
                dataclasses.replace(each, connections={**each.connections, "route-plug": PLUG[each.name]})
                for each in station.places)),
            dataclasses.replace(simulator, bays=tuple(
                dataclasses.replace(each, channels={**each.channels, "route-plug": PLUG[each.name]})
                for each in simulator.bays)))


class NestRig(BaysRig):
    """Bays whose units pass the station's own gates."""

    def __init__(self, folder: Path, fixtures: tuple[FixtureRules, ...] = NESTS, first: float = A,
                 second: float = B) -> None:
        super().__init__(folder, made=with_nests(fixtures))
        self.put(first, second)

    def put(self, first: float, second: float) -> None:
        for name, ohms in zip(PLUG, (first, second), strict=True):
            self.hall.bays[name].fixture.plug = ohms

    def _make(self, bay: str, job: Job) -> UnitRun:
        self.bays[bay].watcher.seen_open = False  # the guard is opened for this unit, as in a shift
        self.before_unit(bay, job.serial)
        gates = gates_of(Setting(job.sequence, self.opened, self.pages, self.log, self.clock, bay=bay))
        return UnitRun(self.clock, job.sequence, self.bays[bay], self.log,
                       lambda event: self.events.append((bay, event)), lambda _: "tester",
                       [self.scheduled.gate(bay), *gates.of_unit])

    def said(self, units: dict[str, list[str]]) -> dict[str, list[RunResult]]:
        """The results by bay."""
        done = self.run(units)
        return {bay: [result for at, _, result in done if at == bay] for bay in units}

    def mounted(self) -> list[tuple[str, str | None]]:
        """What the log says was mounted, and where."""
        return [(each.fixture, each.bay) for each in told_of(self.log.documents) if each.what == "mounted"]


def serials(first: int, count: int) -> list[str]:
    return [f"DH6-{number:08d}" for number in range(first, first + count)]


def test_each_bay_reads_its_own_plug_and_counts_its_own_units(quick_path: Path) -> None:
    with NestRig(quick_path) as rig:
        found = rig.said({"bay-1": serials(1, 3), "bay-2": serials(11, 2)})
        assert [[each.outcome for each in found[bay]] for bay in found] == [[Outcome.PASS] * 3, [Outcome.PASS] * 2]
        assert sorted(rig.mounted()) == [("nest-a", "bay-1"), ("nest-b", "bay-2")]
        told = told_of(rig.log.documents)
        used = {each: cycles(told, each, rig.log.runs_since, rig.station.bays) for each in ("nest-a", "nest-b")}
        assert used == {"nest-a": 3, "nest-b": 2} and not rig.desk.holders()
        rig.put(B, A)  # they change places: what one has been used for goes with it
        found = rig.said({"bay-1": serials(21, 1), "bay-2": serials(31, 1)})
        assert found["bay-2"][0].outcome is Outcome.PASS
        worn = found["bay-1"][0]
        assert worn.outcome is Outcome.REFUSED and "nest-b was used for 2 units" in worn.sentence
        assert mounted_last(told_of(rig.log.documents), "bay-1") == "nest-b"


def test_one_fixture_is_at_one_bay(quick_path: Path) -> None:
    with NestRig(quick_path, second=A) as rig:
        rig.schedule({"bay-1": serials(1, 1), "bay-2": []}).join(3.0)
        assert [run.bay for run in rig.log.open_runs()] == ["bay-1"]
        gates = gates_of(Setting(rig.sequence, rig.opened, rig.pages, rig.log, rig.clock, bay="bay-2")).of_unit
        unit = UnitRun(rig.clock, rig.sequence, rig.bays["bay-2"], rig.log, lambda _: None, lambda _: "tester", gates)
        result = unit.run("DH6-00000002")
        assert result.outcome is Outcome.REFUSED and "nest-a, and bay-1 tests a unit on it" in result.sentence
        assert rig.scheduled.join(600.0) and rig.results[0][2].outcome is Outcome.PASS


def test_two_bays_that_read_one_plug_before_either_begins(quick_path: Path) -> None:
    """Their gates both saw a free fixture; the log takes one begin and refuses the other."""
    with NestRig(quick_path, second=A) as rig:
        found = rig.said({"bay-1": serials(1, 1), "bay-2": serials(11, 1)})
        outcomes = {bay: results[0] for bay, results in found.items()}
        refused = [each for each in outcomes.values() if each.outcome is Outcome.REFUSED]
        assert len(refused) == 1 and "is that of fixture nest-a, and bay-" in refused[0].sentence
        assert sorted(str(each.outcome) for each in outcomes.values()) == ["pass", "refused"]
        assert len(rig.log.runs("DH6-00000001")) + len(rig.log.runs("DH6-00000011")) == 1


def test_a_plug_waits_for_the_meter_and_is_never_read_while_another_bay_has_it(quick_path: Path) -> None:
    with NestRig(quick_path) as rig:
        held = rig.desk.take("bay-1", {"resistance"}, lambda: None)
        began, bay, closed = rig.clock.monotonic(), rig.hall.bays["bay-2"], list[float]()
        switch = bay.switch

        def seen(channels: list[int], on: bool) -> None:
            if on and PLUG["bay-2"] in channels:
                closed.append(rig.clock.monotonic())
            switch(channels, on)

        bay.switch = seen
        rig.clock.start("neighbour", lambda: (rig.clock.sleep(4.0), rig.desk.give_back("bay-1", held, dead=True))[1])
        found = rig.said({"bay-2": serials(1, 1)})
        assert found["bay-2"][0].outcome is Outcome.PASS and rig.clock.monotonic() - began > 4.0
        assert len(closed) == 1 and closed[0] >= began + 4.0


@pytest.mark.parametrize(("ohms", "words"), [(A, ""), (B, "does not take"), (6.8e3, "none that"), (0.0, "not seen")])
def test_a_wrong_plug_refuses_at_its_bay_only(quick_path: Path, ohms: float, words: str) -> None:
    fixtures = (NESTS[0], FixtureRules("nest-c", ("DH-3",), plug=parse("10 kohm")),
                FixtureRules("nest-d", ("DH-6",), plug=parse("22 kohm")))
    with NestRig(quick_path, fixtures, 22e3, ohms) as rig:
        found = rig.said({"bay-1": serials(1, 1), "bay-2": serials(11, 1)})
        assert found["bay-1"][0].outcome is Outcome.PASS
        refused = found["bay-2"][0]
        assert (refused.outcome is Outcome.REFUSED) is bool(words) and words in refused.sentence


def test_a_baseline_is_of_a_fixture_at_a_bay(quick_path: Path) -> None:
    nest = dataclasses.replace(NESTS[0], baseline=BASELINE)
    with NestRig(quick_path, (nest, NESTS[1])) as rig:
        def refused(bay: str, number: int) -> str:
            result = rig.said({bay: serials(number, 1)})[bay][0]
            return result.sentence if result.outcome is Outcome.REFUSED else ""

        assert "at bay-1 was never measured" in refused("bay-1", 1)
        rig.hall.obey({"bay": "bay-1", "fit": "empty"})
        result, index = measure(nest, "baseline", rig.opened, rig.pages, rig.clock, rig.log, lambda _: None,
                                lambda _: "tester", [], "tester", at_bay="bay-1")
        assert result.outcome is Outcome.PASS and index is not None
        assert refused("bay-1", 2) == ""
        rig.put(B, A)
        assert "eolseq fixture baseline nest-a --bay bay-2" in refused("bay-2", 3)


def test_an_entry_without_a_bay_is_of_the_only_one_that_there_was(quick_path: Path) -> None:
    old = told_of([type("E", (), {"index": 4, "kind": "fixture", "payload": {
        "time": "2026-01-01T00:00:00Z", "fixture": "nest-a", "what": "mounted", "outcome": "pass", "sentence": "",
        "good_until": None, "readings": ()}})()])
    assert mounted_last(old) == mounted_last(old, "bay-1") == "nest-a" and old[0].bay is None
    assert Fixture(fixture="x", what="mounted", outcome="pass", sentence="", by="", station_digest="").bay is None


# -- the station file -----------------------------------------------------------------------------------------------

ZERO = ("{shorting_piece: S-1, unit_connected: 'no', taken: 2026-01-01, good_until: 2026-03-01, at_least: 10 mohm, "
        "at_most: 60 mohm, points: {front-panel: %s}}")


def four_bays(folder: Path, change: Callable[[str], str]) -> Path:
    """The shipped station, without its own fixtures, changed."""
    before, _, rest = (ROOT / "simulators/four-bays.yaml").read_text("utf-8").partition("fixtures:")
    text = before + rest.partition("\n\n")[2]
    path = folder / "station.yaml"
    path.write_text(change(text), "utf-8")
    return path


def test_a_zero_is_typed_under_its_bay(tmp_path: Path) -> None:
    def typed(text: str) -> str:
        for bay, value in (("1", "25 mohm"), ("2", "31 mohm")):
            text = text.replace(f"    guard: guard-{bay}\n", f"    guard: guard-{bay}\n    zeros: {{nest: {ZERO % value}}}\n")
        return text

    station = load_station(four_bays(tmp_path, typed))
    points = {bay: station.zeros_at(bay)["nest"].points["front-panel"].base for bay in ("bay-1", "bay-2")}
    assert points == {"bay-1": Decimal("0.025"), "bay-2": Decimal("0.031")}
    assert "nest" not in station.zeros_at("bay-3")
    assert station.zero_points["nest"] == frozenset(), "two bays have none, so no sequence may count on it"


@pytest.mark.parametrize(("extra", "words"), [
    (f"zeros: {{nest: {ZERO % '25 mohm'}}}\n", "'zeros' beside several bays"),
    ("fixtures: {nest: {fits: [DH-6]}}\n", "nobody knows at which bay nest is"),
    ("fixtures: {nest: {fits: [DH-6], plug: 4.7 kohm}}\n", "read over the connection 'route-plug'"),
    ("fixtures: {nest: {fits: [DH-6], bay: bay-9}}\n", "no bay 'bay-9'"),
    ("fixtures: {one: {fits: [DH-6], bay: bay-1}, two: {fits: [DH-6], bay: bay-1}}\n", "takes the model 'DH-6' too"),
])
def test_what_a_station_of_several_bays_cannot_say(tmp_path: Path, extra: str, words: str) -> None:
    with pytest.raises(FileMistakes, match=words):
        load_station(four_bays(tmp_path, lambda text: text + extra))


def test_a_fixture_that_stands_at_a_bay_needs_no_plug() -> None:
    """As at the shipped station, whose bays have no relay for a plug."""
    station = load_station(ROOT / "simulators/four-bays.yaml")
    assert [each.bay for each in station.fixtures] == list(station.bays)
    assert not any("route-plug" in each.connections for each in station.places)
