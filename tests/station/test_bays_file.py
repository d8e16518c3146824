"""Bays in station and simulator files: what is wrong is told at its place, or before anything is opened."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import pytest

from eolseq.errors import FileMistakes
from eolseq.line.scans import COMMANDS
from eolseq.simulation.file import load_simulator
from eolseq.station.bay_fields import WORDS
from eolseq.station.bays import members, misfits, routes
from eolseq.station.file import load_station
from tests.bays_rig import PAGES, STATION
from tests.rig import PAGES as ONE_PAGES
from tests.rig import ROOT
from tests.rig import STATION as ONE_BAY

TEXT = (ROOT / "simulators/four-bays.yaml").read_text(encoding="utf-8")
SIMULATED = (ROOT / "simulators/four-bays-simulator.yaml").read_text(encoding="utf-8")
ROLES = {name: page.role for name, page in PAGES.items()}

WRONG = {
    # name: what stands there, what is put in its place, what must be told
    "two of one name": ("name: bay-2", "name: bay-1", "two bays are named 'bay-1'"),
    "no guard": ("    guard: guard-2\n", "", "bay 'bay-2' names no guard unit"),
    "a guard that is not there": ("guard: guard-2", "guard: guard-9", "the station has no instrument 'guard-9'"),
    "a guard twice": ("guard: guard-2", "guard: guard-1", "'guard-1' stands at bay-1 already"),
    "an instrument twice": ("[residual-2, airflow-2]", "[residual-1, airflow-2]", "'residual-1' stands at bay-1 already"),
    "an instrument that is not there": ("[residual-2, ", "[residual-22, ", "the station has no instrument 'residual-22'"),
    "a channel twice": ("stage-2: 202", "stage-2: 201", "channel 201 is also 'stage-1'"),
    "connections beside bays": ("\nguard:\n", "\nconnections: {fan: 1}\n\nguard:\n", "would belong to no one bay"),
    "a zero for all bays": ("\nguard:\n", "\nzeros:\n  jig: {shorting_piece: S-1, unit_connected: no, taken: 2026-01-01, "
                            "good_until: 2099-12-31, at_least: 1 mohm, at_most: 90 mohm, points: {rear-panel: 40 mohm}}\n"
                            "\nguard:\n", "'zeros' beside several bays"),
    "a word of a shift": ("name: bay-2", "name: end", "'end' is a word of a shift"),
    "a copied line": ("serial: SIM-1202", "serial: SIM-1102", "residual-2 has the page and the serial number of residual-1"),
    "no bay": (TEXT[TEXT.index("bays:"):TEXT.index("\ninstruments:")], "bays: []\n", "a list of 0"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_mistake_in_the_bays_of_a_station(tmp_path: Path, name: str) -> None:
    before, after, told = WRONG[name]
    assert before in TEXT
    path = tmp_path / "station.yaml"
    path.write_text(TEXT.replace(before, after, 1), encoding="utf-8")
    with pytest.raises(FileMistakes) as caught:
        load_station(path)
    assert any(told in each.what for each in caught.value.mistakes), caught.value


def test_one_bay_needs_connections_in_one_place(tmp_path: Path) -> None:
    text = (ROOT / "simulators/demo-station.yaml").read_text(encoding="utf-8")
    begin = text.index("connections:\n")
    path = tmp_path / "station.yaml"
    path.write_text(text[:begin] + text[text.index("known_loads:"):].partition("\nceilings:")[1]
                    + text[text.index("\nceilings:"):].removeprefix("\nceilings:"), encoding="utf-8")
    with pytest.raises(FileMistakes, match="bay 'bay-1' has no connections"):
        load_station(path)


SIMULATED_WRONG = {
    "two of one name": ("  - name: bay-2", "  - name: bay-1", "two bays are named 'bay-1'"),
    "a guard at no bay": ("[guard-2, residual-2", "[residual-2", "'guard-2', a guard_unit, stands at no bay"),
    "an instrument twice": ("[guard-2, ", "[guard-1, ", "'guard-1' stands at bay-1 already"),
    "an instrument that is not there": ("[guard-2, ", "[guard-22, ", "there is no instrument 'guard-22'"),
    "a serial of no unit": ("unit: DH6-00000002", "unit: DH8-00000002", "'DH8-00000002' is the serial of no unit here"),
    "a channel twice": ("stage-2: 202", "stage-2: 201", "channel 201 is already 'stage-1'"),
    "a part without a channel": ("tie-L-N: 223, ", "", "'tie-L-N' has no channel"),
    "channels in the fixture too": ("  discharge: 1 kohm\n", "  discharge: 1 kohm\n  channels: {fan: 104}\n",
                                    "channels stand in the fixture where there is one bay"),
    "a role twice at a bay": ("[guard-2, residual-2", "[guard-2, guard-3, residual-2", "'guard-2' has the same role"),
}


@pytest.mark.parametrize("name", SIMULATED_WRONG)
def test_a_mistake_in_the_bays_of_a_simulator(tmp_path: Path, name: str) -> None:
    before, after, told = SIMULATED_WRONG[name]
    assert before in SIMULATED
    path = tmp_path / "simulator.yaml"
    path.write_text(SIMULATED.replace(before, after, 1), encoding="utf-8")
    with pytest.raises(FileMistakes) as caught:
        load_simulator(path)
    assert any(told in each.what for each in caught.value.mistakes), caught.value


# -- what only the instruments' parts can tell --------------------------------------------------------------------


def changed(bay: int, **values: object) -> object:
    places = list(STATION.places)
    places[bay] = dataclasses.replace(places[bay], **values)  # type: ignore[arg-type]
    return dataclasses.replace(STATION, places=tuple(places))


MISFITS = {
    "a residual meter for all": (changed(1, own=("airflow-2",)), "residual-2, a residual meter, is shared"),
    "a meter for a guard": (changed(1, guard="residual-2", own=("airflow-2",)), "residual-2, the guard of bay-2, is a "
                                                                                "residual_meter"),
    "a guard of no bay": (changed(1, guard="residual-2", own=()), "guard-2 is a guard unit of no bay"),
    "two of one role at a bay": (changed(1, own=("residual-2", "airflow-2", "airflow-1")), "are both a airflow_meter"),
    "a channel of two bays": (changed(1, connections=STATION.places[0].connections), "is one of bay-1 already"),
    "no discharge at a bay": (changed(1, connections={name: channel for name, channel in STATION.places[1].connections.items()
                                                      if name != "discharge"}), "bay-2 has no 'discharge', and bay-1 has one"),
}


@pytest.mark.parametrize("name", MISFITS)
def test_bays_that_do_not_fit_their_instruments(name: str) -> None:
    station, told = MISFITS[name]
    assert any(told in each.what for each in misfits(station, ROLES)), misfits(station, ROLES)  # type: ignore[arg-type]


def test_no_bay_is_called_what_means_something_else_in_a_shift() -> None:
    assert frozenset(COMMANDS) == WORDS


def test_two_instruments_are_not_at_one_address_but_may_be_devices_of_one_line(tmp_path: Path) -> None:
    def station(device: int) -> str:
        text = TEXT.replace("simulated: simulators/four-bays-simulator.yaml\n", "")
        text = re.sub(r"(\n  ([a-z0-9-]+): +\{)(?=page:)", r'\1address: "TCPIP::\2::1::SOCKET", ', text)
        assert "TCPIP::airflow-2::1" in text
        return text.replace('"TCPIP::airflow-2::1::SOCKET"', f'"tcpip::airflow-1::1::socket", device: {device}')

    path = tmp_path / "station.yaml"
    path.write_text(station(1), encoding="utf-8")
    with pytest.raises(FileMistakes, match="airflow-2 has the address of airflow-1, expected an address of its own"):
        load_station(path)
    path.write_text(station(2), encoding="utf-8")
    assert load_station(path).instruments[-1].device in (1, 2)


def test_the_shipped_stations_fit() -> None:
    assert misfits(STATION, ROLES) == []
    assert misfits(ONE_BAY, {name: page.role for name, page in ONE_PAGES.items()}) == []


def test_what_is_a_bays_own_comes_before_what_is_shared() -> None:
    second = members(STATION, STATION.places[1], ROLES)
    assert second["residual_meter"] == "residual-2" and second["withstand_tester"] == "withstand"
    assert "guard_unit" not in second
    ways = routes(STATION, ROLES)["switching"]
    assert ways[220] == ("withstand", "bay-2") and ways[411] == ("continuity", "bay-4") and ways[122][0] == "resistance"
    assert 230 not in ways and 201 not in ways
