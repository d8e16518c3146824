"""What does not fit between the bays of a station and its instruments is told by ``eolseq check``, at its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from eolseq.__main__ import main

SEQUENCE = "sequences/duct-heater-6kw.yaml"
STATION = Path("simulators/four-bays.yaml")
WRONG = {
    "a meter for a guard": ("guard: guard-2", "guard: current", "current, the guard of bay-2, is a current_meter"),
    "two of one role at a bay": ("[residual-2, airflow-2]", "[residual-2, airflow-2, guard-spare]",
                                 "airflow-2 and guard-spare at bay-2 are both a airflow_meter"),
    "a residual meter for all": ("[residual-3, airflow-3]", "[airflow-3]",
                                 "residual-3, a residual meter, is shared; dead is proved at each bay by a meter of its own"),
    "a guard of no bay": ("guard-1:    {page", "guard-spare: {page: drivers/gu-2.yaml, serial: SIM-1999, calibrated_until: "
                          "2099-12-31}\n  guard-1:    {page", "guard-spare is a guard unit of no bay"),
    "a channel of two bays": ("stage-1: 401", "stage-1: 301", "Channel 301 (stage-1 of bay-4) is one of bay-3 already"),
}
PLACED = {"a meter for a guard": "guard: current", "two of one role at a bay": "guard-spare]",
          "a residual meter for all": "residual-3:", "a guard of no bay": "guard-spare:",
          "a channel of two bays": "stage-1: 301, stage-2: 402"}


def changed(name: str, folder: Path) -> tuple[Path, str]:
    """The four bays with one thing wrong, and what is to be said of it."""
    before, after, said = WRONG[name]
    text = STATION.read_text(encoding="utf-8")
    assert before in text
    text = text.replace(before, after, 1)
    if name == "two of one role at a bay":
        text = text.replace("guard-1:    {page", "guard-spare: {page: drivers/af-1.yaml, serial: SIM-1999, "
                            "calibrated_until: 2099-12-31}\n  guard-1:    {page", 1)
    path = folder / "station.yaml"
    path.write_text(text, encoding="utf-8")
    return path, said


@pytest.mark.parametrize("name", WRONG)
@pytest.mark.parametrize("with_sequence", [True, False])
def test_bays_that_do_not_fit_are_told_at_their_place(name: str, with_sequence: bool, tmp_path: Path,
                                                      capsys: pytest.CaptureFixture[str]) -> None:
    path, said = changed(name, tmp_path)
    assert main(["check", SEQUENCE, "--station", str(path)] if with_sequence else ["check", str(path)]) == 2
    told = capsys.readouterr()
    lines = (told.out + told.err).splitlines()
    line = next(each for each in lines if said in each)
    number, column = map(int, line.partition(str(path))[2].split(":")[1:3])
    at = path.read_text(encoding="utf-8").splitlines()[number - 1]
    assert PLACED[name] in at and column > 1


def test_a_bay_without_an_instrument_that_the_sequence_needs_is_told(tmp_path: Path,
                                                                     capsys: pytest.CaptureFixture[str]) -> None:
    text = STATION.read_text(encoding="utf-8").replace("[residual-1, airflow-1]", "[residual-1, airflow-1, current]")
    path = tmp_path / "station.yaml"
    path.write_text(text, encoding="utf-8")
    assert main(["check", SEQUENCE, "--station", str(path)]) == 2
    told = capsys.readouterr()
    for bay in ("bay-2", "bay-3", "bay-4"):
        assert f"step 'Fan motor current' needs a current_meter, and {bay} has none" in told.out + told.err
    assert "bay-1 has none" not in told.out + told.err
    assert main(["check", SEQUENCE, "--station", str(STATION)]) == 0


def test_who_verifies_an_instrument_of_another_bay_is_told_which(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["verify", "guard-2", "--station", str(STATION), "--acknowledge", "demo"]) == 2
    assert "guard-2 stands at bay-2, not at bay-1. Give --bay bay-2." in capsys.readouterr().err
    assert main(["verify", "nothing", "--station", str(STATION), "--acknowledge", "demo"]) == 2
    assert "has no instrument nothing. They are withstand, " in capsys.readouterr().err


def test_every_bay_needs_the_relays_of_the_known_loads(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = STATION.read_text(encoding="utf-8")
    for relay in ("load-heat-46: 336, ", "tap-shunt-200m: 438"):
        assert relay in text
    path = tmp_path / "station.yaml"
    path.write_text(text.replace("load-heat-46: 336, ", "").replace(", tap-shunt-200m: 438", ""), encoding="utf-8")
    assert main(["check", str(path)]) == 2
    told = capsys.readouterr()
    lines = [each for each in (told.out + told.err).splitlines() if "is no connection of" in each]
    assert len(lines) == 2 and "'load-heat-46' is no connection of bay-3" in lines[0]
    assert "'tap-shunt-200m' is no connection of bay-4" in lines[1]
    for line in lines:
        at = path.read_text(encoding="utf-8").splitlines()[int(line.partition(str(path))[2].split(":")[1]) - 1]
        assert at.strip().startswith("connections:")


def test_a_simulator_that_lacks_an_instrument_is_told_before_anything_is_started(tmp_path: Path,
                                                                               capsys: pytest.CaptureFixture[str]) -> None:
    text = STATION.read_text(encoding="utf-8").replace("four-bays-simulator", "demo-simulator")
    path = tmp_path / "station.yaml"
    path.write_text(text, encoding="utf-8")
    assert main(["check", str(path)]) == 2
    told = capsys.readouterr().out
    assert "simulators/demo-simulator.yaml simulates no residual-1" in told and "simulates no withstand" not in told


def test_a_unit_is_never_tested_at_a_bay_that_nobody_named(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["run", SEQUENCE, "--unit", "DH6-00000001", "--station", str(STATION), "--acknowledge", "demo"]
    assert main(words) == 2
    assert "Which bay is the unit in? Give --bay with one of bay-1, bay-2, bay-3, bay-4." in capsys.readouterr().err
    assert main([*words, "--bay", "bay-9"]) == 2
    assert "has no bay 'bay-9'" in capsys.readouterr().err
