"""What a station file says of people and rework: defaults in the safe direction, and mistakes told at their place."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from eolseq.errors import FileMistakes
from eolseq.records.people import MayTest
from eolseq.station.file import Station, load_station
from eolseq.station.line_fields import PeopleRules, ReworkRules
from tests.rig import ROOT

DEMO = (ROOT / "simulators/demo-station.yaml").read_text("utf-8")
REAL = re.sub(r"(\n  ([a-z]+): +\{page: [^,]+,)", r'\1 address: "TCPIP0::\2.invalid::5025::SOCKET",',
              DEMO).replace("simulated: simulators/demo-simulator.yaml\n", "")


def station(folder: Path, text: str) -> Station:
    path = folder / "bench.yaml"
    path.write_text(text, "utf-8")
    return load_station(path)


def test_a_real_station_that_says_nothing_asks_for_everything_and_a_simulated_one_for_nothing(tmp_path: Path) -> None:
    real = station(tmp_path, REAL)
    assert (real.people.needed, real.rework) == (True, ReworkRules(True, 3, 2))
    demo = station(tmp_path, DEMO)
    assert (demo.people, demo.rework) == (PeopleRules(), ReworkRules(False, None, None))


def test_what_a_file_says_holds(tmp_path: Path) -> None:
    real = station(tmp_path, REAL + "people: {needed: no}\nrework: {needed: no}\n")
    assert (real.people.needed, real.rework) == (False, ReworkRules())
    demo = station(tmp_path, DEMO + "rework: {needed: yes, attempts: 2}\npeople:\n  needed: yes\n  simulated:\n"
                   "    tr-1: {sequences: [A, B], until: 2026-12-31, trainee: yes}\n")
    assert demo.rework == ReworkRules(True, 2, None)
    assert demo.people == PeopleRules(True, {"tr-1": MayTest(("A", "B"), date(2026, 12, 31), trainee=True)})


PERSON = "people: {{needed: yes, simulated: {{{}}}}}\n"
BAD: dict[str, tuple[str, str]] = {
    "a name": (DEMO + PERSON.format("anna: {sequences: [all], until: 2026-12-31}"), "'anna' is no name for this"),
    "no sequence": (DEMO + PERSON.format("op-1: {sequences: [], until: 2026-12-31}"), "at least 1"),
    "no day": (DEMO + PERSON.format("op-1: {sequences: [all]}"), "'until'"),
    "a day that is none": (DEMO + PERSON.format("op-1: {sequences: [all], until: soon}"), "a day such as"),
    "people of a real station in its file": (REAL + PERSON.format("op-1: {sequences: [all], until: 2026-12-31}"),
                                             "a real station takes no people from its file"),
    "needed left out": (DEMO + "people: {}\n", "'needed'"),
    "no attempt": (DEMO + "rework: {needed: yes, attempts: 0}\n", "1 to 99"),
    "stops below one": (DEMO + "rework: {needed: yes, stops: -1}\n", "1 to 99"),
    "perhaps": (DEMO + "rework: {needed: perhaps}\n", "yes or no"),
    "an unknown key": (DEMO + "rework: {needed: yes, attempt: 3}\n", "did you mean 'attempts'"),
}


@pytest.mark.parametrize("name", BAD)
def test_mistakes_are_told(tmp_path: Path, name: str) -> None:
    text, said = BAD[name]
    with pytest.raises(FileMistakes) as told:
        station(tmp_path, text)
    assert said in str(told.value) and len(told.value.mistakes) == 1, str(told.value)
