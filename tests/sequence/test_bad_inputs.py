"""Every bad input is reported at its line and column, with the nearest right word."""

from pathlib import Path

import pytest

from eolseq.errors import FileMistakes, Mistake
from eolseq.guard.opening import Ceilings
from eolseq.instruments.page import load_page
from eolseq.quantity import parse
from eolseq.sequence.findings import _CEILINGS, fits_station
from eolseq.sequence.load import load_sequence
from eolseq.shape import LARGEST_FILE, MOST_NODES
from eolseq.station.file import load_station
from tests.sequence.bad_inputs import BAD, BAD_FOR_THE_STATION, Row

SOUND = Path("tests/sequence/sound.yaml")
TEXT = SOUND.read_text(encoding="utf-8")
STATION = load_station(Path("simulators/demo-station.yaml"))
PAGES = {each.name: load_page(Path(each.page)) for each in STATION.instruments}


def mistakes_in(path: Path, source: bytes) -> tuple[Mistake, ...]:
    """What is wrong with a file of these bytes."""
    path.write_bytes(source)
    with pytest.raises(FileMistakes) as caught:
        load_sequence(path)
    assert caught.value.exit_code == 2
    return caught.value.mistakes


def edited(row: Row) -> str:
    """The sound file with the row's edit; the edit must be possible, once."""
    assert TEXT.count(row.old) >= 1
    return TEXT.replace(row.old, row.new, 1)


def test_the_file_that_is_edited_is_sound() -> None:
    assert len(load_sequence(SOUND).steps) == 5


def test_there_are_enough_rows_and_each_has_its_own_name() -> None:
    names = [row.name for row in (*BAD, *BAD_FOR_THE_STATION)]
    assert len(names) == len(set(names)) >= 40


@pytest.mark.parametrize("row", BAD, ids=lambda row: row.name)
def test_bad_input(row: Row, tmp_path: Path) -> None:
    path = tmp_path / "bad.yaml"
    found = mistakes_in(path, edited(row).encode())
    here = [each for each in found if (each.place.line, each.place.column) == (row.line, row.column)
            and row.what in each.what]
    assert len(here) == 1, [str(each) for each in found]
    assert here[0].nearest == row.nearest
    assert str(here[0]).startswith(f"{path}:{row.line}:{row.column}: ")
    assert len(found) <= 2  # a mistyped key is also missed under its right name; nothing else follows from one edit


@pytest.mark.parametrize("row", BAD_FOR_THE_STATION, ids=lambda row: row.name)
def test_bad_for_the_station(row: Row, tmp_path: Path) -> None:
    text = edited(row)
    if "time" in row.name or row.new.startswith(("voltage", "hold")):
        text = text.replace("voltage: {at_least: 1200 V}", "voltage: {at_least: 1 V}")
    path = tmp_path / "bad.yaml"
    path.write_text(text, encoding="utf-8")
    found = fits_station(load_sequence(path), STATION, PAGES)
    here = [each for each in found if (each.place.line, each.place.column) == (row.line, row.column)
            and row.what in each.sentence]
    assert len(here) >= 1, [str(each) for each in found]
    assert all(each.severity == "error" for each in here)
    assert not row.nearest or f"did you mean '{row.nearest}'?" in here[0].sentence


def test_all_mistakes_are_reported_in_one_go_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = TEXT
    for row in [row for row in BAD if row.name in ("missing unit", "zero rise", "trip below the band", "infinite",
                                                   "repeated step name", "no points", "unknown step kind")]:
        text = text.replace(row.old, row.new, 1)
    places = [each.place for each in mistakes_in(tmp_path / "bad.yaml", text.encode())]
    assert places == sorted(places)
    assert [place.line for place in places] == [15, 18, 24, 37, 41, 48]  # 27 lies in the step of unknown kind


@pytest.mark.parametrize(("name", "source", "place", "what"), [
    ("no steps", TEXT[:TEXT.index("  - kind")].replace("steps:", "steps: []").encode(), (12, 8), "a list of 0"),
    ("steps left out", TEXT[:TEXT.index("steps:")].encode(), (2, 1), "'steps' is missing"),
    ("wrong encoding", TEXT.replace("name: Motor", "name: M\u00f6tor").encode("latin-1"), (48, 12), "not UTF-8"),
    ("sixteen-bit encoding", TEXT.encode("utf-16"), (1, 1), "not UTF-8"),
    ("zeros after a crash", TEXT.encode() + b"\0" * 64, (1, 1), "not readable as YAML"),
    ("huge file", TEXT.encode() + b"#" * LARGEST_FILE, (1, 1), f"a file of {LARGEST_FILE + 1} bytes"),
    ("alias bomb", ("a: &a [x, x, x, x, x, x, x, x, x]\n" + "".join(
        f"{b}: &{b} [{', '.join(['*' + a] * 9)}]\n" for a, b in zip("abcdefgh", "bcdefghi", strict=True))).encode(),
     (5, 4), f"more than {MOST_NODES} values"),
    ("an alias of itself", b"format: 1\nkind: sequence\nsteps: &s [*s]\n", (3, 8), "refers to what it stands in"),
    ("too deep", b"format: 1\nkind: sequence\nsteps: " + b"[" * 60 + b"]" * 60, (3, 47), "nested too deeply"),
    ("nested past every stack", b"[" * 100_000, (1, 1001), "nesting depth"),
    ("an escape that steers a terminal", TEXT.replace("name: Withstand", 'name: "\\e[2JPASS"').encode(), (34, 11),
     "a control character"),
    ("text turned around", TEXT.replace("name: Withstand", 'name: "\u202eSSAP"').encode(), (34, 11),
     "a control character"),
    ("a control character in a key", TEXT.replace("trip: 5 mA", '"tr\\x07ip": 5 mA').encode(), (41, 5),
     "a control character"),
    ("empty file", b"", (1, 1), "the file is empty"),
    ("a list at the top", b"- format: 1\n", (1, 1), "a list stands here"),
    ("no kind", b"format: 1\n", (1, 1), "'kind' is missing"),
])
def test_bad_files(name: str, source: bytes, place: tuple[int, int], what: str, tmp_path: Path) -> None:
    found = mistakes_in(tmp_path / "bad.yaml", source)
    assert [(each.place.line, each.place.column) for each in found if what in each.what] == [place], list(map(str, found))


def test_a_mistake_under_an_alias_is_reported_once(tmp_path: Path) -> None:
    text = TEXT.replace("ambient: {at_least: 10 degC, at_most: 35 degC}", "ambient: &room {at_least: 10 deg, at_most: 35 degC}")
    text = text.replace("    name: Line to neutral\n", "    name: Line to neutral\n    ambient: *room\n")
    assert [each.nearest for each in mistakes_in(tmp_path / "bad.yaml", text.encode())] == ["degC"]


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(FileMistakes, match=r"nix\.yaml:1:1: cannot be opened"):
        load_sequence(tmp_path / "nix.yaml")


@pytest.mark.parametrize("name", _CEILINGS)
def test_the_ceilings_that_check_knows_are_those_the_door_keeps(name: str) -> None:
    """A setting a hair above the ceiling is refused by the door, so ``check`` must know it too."""
    unit = _CEILINGS[name][1]
    assert Ceilings(1, 1, 1, 1).refuse({name: parse(f"1.001 {unit}")})
    assert not Ceilings(1, 1, 1, 1).refuse({name: parse(f"1 {unit}")})
