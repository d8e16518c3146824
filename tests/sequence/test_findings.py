"""Order, completeness and fit to a station."""

from itertools import permutations
from pathlib import Path

import pytest

from eolseq.errors import FileMistakes
from eolseq.sequence.findings import ERROR, NOTE, WARNING, errors_in, findings, fits_station, refuse
from eolseq.sequence.load import load_sequence
from eolseq.sequence.model import Sequence
from tests.sequence.test_bad_inputs import PAGES, STATION

TEXT = Path("tests/sequence/sound.yaml").read_text(encoding="utf-8")
HEAD, *STEPS = TEXT.split("  - kind:")
CONTINUITY, STAGE, SHORT, WITHSTAND, MOTOR = ("  - kind:" + each for each in STEPS)
GOOD_ORDERS = {(0, 1, 2, 3, 4), (0, 2, 1, 3, 4)}


def sequence_of(folder: Path, *steps: str, head: str = HEAD) -> Sequence:
    """A sequence of these steps."""
    path = folder / "some.yaml"
    path.write_text(head + "".join(each if each.endswith("\n") else each + "\n" for each in steps), encoding="utf-8")
    return load_sequence(path)


def codes(sequence: Sequence) -> set[str]:
    """The codes of the errors."""
    return {each.code for each in errors_in(findings(sequence))}


def test_every_order_but_the_right_ones_is_refused_on_class_i(tmp_path: Path) -> None:
    steps = (CONTINUITY, STAGE, SHORT, WITHSTAND, MOTOR)
    cases = 0
    for order in permutations(range(5)):
        sequence = sequence_of(tmp_path, *(steps[index] for index in order))
        assert ("order" in codes(sequence)) is (order not in GOOD_ORDERS), order
        cases += 1
    assert cases == 120


def test_another_order_is_a_warning_on_class_ii(tmp_path: Path) -> None:
    sequence = sequence_of(tmp_path, MOTOR, WITHSTAND, SHORT,
                           head=HEAD.replace("protection_class: I\n", "protection_class: II\n"))
    found = [each for each in findings(sequence) if each.severity != NOTE]
    assert {each.code for each in found} == {"order", "power-before-withstand", "closed-unproved"}
    assert {each.severity for each in found} == {WARNING}


@pytest.mark.parametrize(("steps", "expected"), [
    ((CONTINUITY,), set()),
    ((CONTINUITY, STAGE, SHORT), set()),
    ((CONTINUITY, WITHSTAND), set()),
    ((WITHSTAND,), {"no-continuity"}),
    ((CONTINUITY, SHORT, MOTOR), {"no-withstand"}),
    ((CONTINUITY, STAGE, WITHSTAND, MOTOR), {"no-short-check"}),
    ((SHORT, WITHSTAND, MOTOR), {"no-continuity"}),
    ((MOTOR,), {"no-continuity", "no-short-check", "no-withstand"}),
])
def test_what_must_come_before(tmp_path: Path, steps: tuple[str, ...], expected: set[str]) -> None:
    assert codes(sequence_of(tmp_path, *steps)) == expected


def test_a_finding_stands_at_the_step(tmp_path: Path) -> None:
    sequence = sequence_of(tmp_path, CONTINUITY, WITHSTAND, SHORT, MOTOR)
    found = next(each for each in findings(sequence) if each.code == "order")
    lines = (tmp_path / "some.yaml").read_text(encoding="utf-8").splitlines()
    assert lines[found.place.line - 1][found.place.column - 1:] == "kind: heater_resistance"
    assert "after 'Withstand'" in found.sentence
    assert str(found).startswith(f"{tmp_path}/some.yaml:{found.place.line}:5: error: ")


def test_a_metal_part_that_is_no_point_is_refused_with_the_nearest(tmp_path: Path) -> None:
    sequence = sequence_of(tmp_path, CONTINUITY.replace("[panel, frame]", "[panel, frme]"))
    found = [each for each in findings(sequence) if each.code == "unbonded-part"]
    assert [each.severity for each in found] == [ERROR]
    assert "did you mean 'frme'?" in found[0].sentence


def test_no_metal_parts_on_class_i_is_a_warning(tmp_path: Path) -> None:
    sequence = sequence_of(tmp_path, CONTINUITY, head=HEAD.replace("  metal_parts: [panel, frame]\n", ""))
    assert [each.code for each in findings(sequence)] == ["no-metal-parts"]


def test_a_withstand_test_that_leaves_something_out_is_a_warning(tmp_path: Path) -> None:
    bare = WITHSTAND[:WITHSTAND.index("    connections")] + "    connections: {return: earth}\n"
    found = findings(sequence_of(tmp_path, CONTINUITY, bare))
    assert {(each.code, each.severity) for each in found if each.severity != NOTE} == {
        ("not-tied", WARNING), ("nothing-closed", WARNING)}


def test_refuse_raises_every_error_and_no_warning(tmp_path: Path) -> None:
    refuse(findings(sequence_of(tmp_path, CONTINUITY, head=HEAD.replace("  metal_parts: [panel, frame]\n", ""))))
    with pytest.raises(FileMistakes) as caught:
        refuse(findings(sequence_of(tmp_path, MOTOR)))
    assert len(caught.value.mistakes) == 3


def test_the_shipped_sequence_fits_the_shipped_station() -> None:
    for path in Path("sequences").glob("duct-heater-6kw.yaml"):
        assert {each.severity for each in fits_station(load_sequence(path), STATION, PAGES)} <= {NOTE}


@pytest.mark.parametrize("role", ["continuity_tester", "resistance_meter", "withstand_tester", "residual_meter",
                                  "power_source", "current_meter", "switching_unit"])
def test_a_station_without_an_instrument_is_told(role: str) -> None:
    pages = {name: page for name, page in PAGES.items() if page.role != role}
    sequence = load_sequence(Path("sequences/duct-heater-6kw.yaml"))
    found = [each for each in fits_station(sequence, STATION, pages) if each.code == "no-instrument"]
    assert found
    assert all(role in each.sentence for each in found)


def test_a_direct_voltage_needs_no_frequency_and_still_fits_the_tester(tmp_path: Path) -> None:
    direct = WITHSTAND.replace("type: ac\n    frequency: 60 Hz\n", "type: dc\n").replace("1230 V", "1700 V")
    step = sequence_of(tmp_path, CONTINUITY, direct).steps[1]
    assert "frequency" not in step.settings_for_log()
    role, settings = step.settings()[0]
    page = next(page for page in PAGES.values() if page.role == role)
    assert [page.fits(name, value) for name, value in settings.items()] == [""] * len(settings)


def test_the_ceiling_itself_is_allowed(tmp_path: Path) -> None:
    step = WITHSTAND.replace("voltage: 1230 V", f"voltage: {STATION.ceilings.volts:g} V").replace("hold: 1 s", "hold: 70 s")
    found = fits_station(sequence_of(tmp_path, CONTINUITY, step), STATION, PAGES)
    assert not [each for each in found if each.code == "ceiling"]
