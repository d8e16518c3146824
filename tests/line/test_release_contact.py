"""The release contact: closed only after a pass with its label, open in every other case, and without power."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from eolseq.errors import StationFault
from eolseq.instruments.roles import Answer
from eolseq.line.release_contact import ReleaseContact, release_contact
from eolseq.simulation.world import RELEASE
from tests.rig import Rig

CHANNEL = 140
CASES = [(False, False), (False, True), (True, False), (True, True)]


def with_release(rig: Rig) -> Rig:
    """The simulated bay with a release contact on a channel of its own."""
    rig.world.fixture.channels = {**rig.world.fixture.channels, RELEASE: CHANNEL}
    return rig


@pytest.mark.parametrize(("passed", "label_sure"), CASES)
def test_it_closes_after_a_pass_with_its_label_and_never_else(passed: bool, label_sure: bool, quick_path: Path) -> None:
    with with_release(Rig(quick_path)) as rig:
        contact = release_contact(rig.opened.by_role["switching_unit"], {RELEASE: CHANNEL}, RELEASE)
        assert contact is not None and not contact.closed
        contact.close(passed=True, label_sure=True)
        assert contact.close(passed=passed, label_sure=label_sure) is (passed and label_sure)
        assert (CHANNEL in rig.world.closed) is (passed and label_sure) is contact.closed
        contact.open()
        assert CHANNEL not in rig.world.closed and not contact.closed


def test_the_simulator_shows_it(quick_path: Path) -> None:
    with with_release(Rig(quick_path)) as rig:
        contact = ReleaseContact(rig.opened.by_role["switching_unit"], CHANNEL)
        contact.close(passed=True, label_sure=True)
        contact.open()
        assert [each["contact"] for each in rig.world.changes if each.get("name") == RELEASE] == ["closed", "open"]


def test_it_falls_open_without_power(quick_path: Path) -> None:
    with with_release(Rig(quick_path)) as rig:
        contact = ReleaseContact(rig.opened.by_role["switching_unit"], CHANNEL)
        contact.close(passed=True, label_sure=True)
        rig.world.obey({"power_fails": True})
        assert CHANNEL not in rig.world.closed


def test_the_start_of_a_station_opens_it(quick_path: Path) -> None:
    rig = with_release(Rig(quick_path))
    rig.world.switch([CHANNEL], True)
    with rig:
        assert CHANNEL not in rig.world.closed


def test_no_unit_is_tested_while_it_is_closed(quick_path: Path) -> None:
    """The next unit's first step sees every relay open, this one too, or there is no voltage."""
    with with_release(Rig(quick_path)) as rig:
        contact = ReleaseContact(rig.opened.by_role["switching_unit"], CHANNEL)
        contact.close(passed=True, label_sure=True)
        result = rig.run()
        assert str(result.outcome) == "fault" and "140" in result.sentence
        contact.open()
        rig.world.load(rig.serial)
        assert str(rig.run().outcome) == "pass"


class Stuck:
    """A switching unit with a relay that stays as it is."""

    name, role = "switching", "switching_unit"

    def __init__(self, closed: bool) -> None:
        self.closed = closed

    def perform(self, action: str, **_: object) -> Answer:
        return Answer(channels=frozenset({CHANNEL} if self.closed else ()))

    def check_errors(self) -> None:
        """There are none."""


def test_a_relay_that_is_stuck_is_told() -> None:
    with pytest.raises(StationFault, match=r"did not open.*Stop the conveyor"):
        ReleaseContact(Stuck(True), CHANNEL)
    with pytest.raises(StationFault, match="did not close"):
        ReleaseContact(Stuck(False), CHANNEL).close(passed=True, label_sure=True)


def test_a_station_that_names_none_has_none_and_a_missing_relay_is_told() -> None:
    assert release_contact(None, {}, "") is None
    for switching, connections in ((None, {RELEASE: CHANNEL}), (Stuck(False), {"fan": 104})):
        with pytest.raises(StationFault, match="no relay named 'release'"):
            release_contact(switching, connections, RELEASE)


def test_the_station_file_must_know_the_relay_and_print_labels(tmp_path: Path) -> None:
    from eolseq.errors import FileMistakes
    from eolseq.station.file import load_station
    from tests.rig import ROOT

    text = (ROOT / "simulators/demo-station.yaml").read_text(encoding="utf-8")
    with_relay = text.replace("  stage-1: 101\n", "  stage-1: 101\n  release: 140\n")
    path = tmp_path / "station.yaml"
    path.write_text(with_relay + "labels: {folder: labels}\nrelease: release\n", encoding="utf-8")
    assert dataclasses.asdict(load_station(path).labels)["folder"] == "labels"  # type: ignore[arg-type]
    for added, told in (
            ("labels: {folder: labels}\nrelease: gate\n", "no connection is named 'gate'"),
            ("release: release\n", "'release' without 'labels'"),
            ("labels: {folder: labels, printer: LABELS}\n", "to a printer or to a folder"),
            ("labels: {template: x.yaml}\n", "to a printer or to a folder"),
            ("labels: {folder: records/labels}\n", "lie in the records folder"),
            ("labels: {printer: '-d other'}\n", "does not fit here")):
        path.write_text(with_relay + added, encoding="utf-8")
        with pytest.raises(FileMistakes, match=told):
            load_station(path)
