"""A review as a lead sees it: on the screen, as a document, on paper, and held against the paper later."""

from __future__ import annotations

import dataclasses
import json
import subprocess
from io import BytesIO
from pathlib import Path

import pypdfium2
import pytest

from eolseq.__main__ import main
from eolseq.commands.review import say_shift
from eolseq.records import entries
from eolseq.review.chance import share
from eolseq.review.review import Review
from eolseq.review.sheet import pdf_of
from eolseq.review.times import time_words
from eolseq.review.words import WIDTH, brief, chance_words, lines, looks, percent, share_words
from eolseq.station.file import load_station
from tests.records.samples import SEQUENCE
from tests.review.lines import Did, Line, reviewed

STATION = load_station(Path(__file__).resolve().parents[2] / "simulators/line-station.yaml")
VOLTS = "The meter reads 3.2 V. Call maintenance."
BAD_DAY = [Did("fail"), Did("fail"), *[Did("pass")] * 30,
           *[Did("fail", bay="bay-2", step="Earth path", kind="ground_continuity"), Did("pass", bay="bay-2")] * 10,
           Did("fault", sentence=VOLTS, after=600), Did("pass"), Did("pass", trial="yes")]


@pytest.fixture(scope="module")
def bad_day(tmp_path_factory: pytest.TempPathFactory) -> Review:
    return reviewed(tmp_path_factory.mktemp("line"), BAD_DAY, takt=25)


def test_what_wants_a_look_comes_first_and_says_where(bad_day: Review) -> None:
    found = looks(bad_day)
    assert [each.split(":")[0] for each in found] == ["Withstand tester WT-5 1001", "bay-1 and bay-2 differ with duct heater 6 kW, 31 of 33 = 93.9 % (79.8 % to 99.3 %) "
        "against 10 of 20 = 50.0 % (27.2 % to 72.8 %); by chance 1 in 2,585. Look at fixture and leads of the bay with less."]
    assert "by chance" in found[0]
    shown = lines(bad_day)
    assert shown.index("LOOK AT THIS") < shown.index("first pass by model")


def test_every_line_fits_the_screen_and_nothing_is_missing(bad_day: Review) -> None:
    shown = lines(bad_day)
    assert all(len(each) <= WIDTH for each in shown)
    text = " ".join(" ".join(shown).split())
    for words in ("1 fault", "left out: 1 in trial", "Earth path", "10 min 00 s 1 time: bay-1: fault: The meter reads # V.",
                  "on average over", "takt 25.0 s", bad_day.log.root, f"{bad_day.log.size} entries", "first pass 41 of 53"):
        assert words in text
    assert "SIMULATED" not in text


def test_the_end_of_a_shift_is_one_screen(bad_day: Review) -> None:
    assert len(brief(bad_day)) <= 24
    assert bad_day.log.root in " ".join(brief(bad_day))


def test_a_challenge_that_was_not_passed_wants_a_look(quick_path: Path) -> None:
    def challenged(line: Line) -> None:
        line.log.append(entries.Challenge(outcome="fail", sentence="It missed one.", shown=(), sequence=SEQUENCE,
                                          station_digest="cd" * 32, pages={}, operator="m-1"))

    found = reviewed(quick_path, [Did("pass")], challenged)
    assert looks(found) == ["The last challenge (entry 3) was not passed. Ask maintenance."]
    assert "  last challenge 2026-01-05 06:00 UTC, entry 3: fail" in lines(found)


def test_a_quiet_day_says_that_nothing_stands_out(quick_path: Path) -> None:
    quiet = reviewed(quick_path, [Did("pass", mode="simulated")] * 3, role="simulated station")
    assert not looks(quiet)
    assert "Nothing stands out: what differs may be chance, or is too small to matter." in lines(quiet)
    assert lines(quiet)[0].startswith("SIMULATED")


def test_an_empty_log_has_a_review(quick_path: Path) -> None:
    empty = reviewed(quick_path, [])
    assert lines(empty)[0] == "Review of the whole log: no run ended"
    assert "No unit had its first verdict here, so nothing can be said of the line." in lines(empty)
    assert pdf_of(empty).startswith(b"%PDF")


@pytest.mark.parametrize(("value", "words"), [(0.0, "0.0 %"), (1.0, "100.0 %"), (0.9999, ">99.9 %"), (0.0001, "<0.1 %"),
                                              (0.985, "98.5 %")])
def test_shares_are_never_rounded_to_all_or_nothing(value: float, words: str) -> None:
    assert percent(value) == words


def test_words_of_numbers() -> None:
    assert share_words(share(0, 0)) == "no unit"
    assert share_words(share(48, 50)) == "48 of 50 = 96.0 % (86.3 % to 99.5 %)"
    assert [chance_words(each) for each in (0.5, 0.01, 1e-9)] == ["50.0 %", "1 in 100", "below 1 in 1,000,000"]
    assert [time_words(each) for each in (9.96, 59.99, 60, 3599.6, 7260)] == [
        "10.0 s", "1 min 00 s", "1 min 00 s", "1 h 00 min", "2 h 01 min"]


def text_of(pdf: bytes, path: Path) -> str:
    path.write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True)
    return " ".join(done.stdout.split())


def test_the_page_says_what_the_screen_says(bad_day: Review, tmp_path: Path) -> None:
    text = text_of(pdf_of(bad_day), tmp_path / "page.pdf")
    for words in ("first-pass yield", "77.4 %", "41 of 53", "Look at this", "bay-1 and bay-2 differ with", "Earth path",
                  "This paper is a witness", f"{bad_day.log.size} entries", bad_day.log.root, "left out: 1 in trial",
                  "date and signature"):
        assert words in text
    assert text.count(bad_day.log.root) >= 2  # in its place and at the foot


def test_the_same_review_is_the_same_page_and_it_is_black_and_white(bad_day: Review) -> None:
    page = pdf_of(bad_day)
    assert page == pdf_of(bad_day)
    picture = pypdfium2.PdfDocument(BytesIO(page))[0].render(scale=0.5).to_pil().convert("RGB")
    assert all(red == green == blue for _, (red, green, blue) in picture.getcolors(1 << 20) or [])


def test_a_mark_across_the_top_when_simulated(quick_path: Path) -> None:
    simulated = reviewed(quick_path, [Did("pass", mode="simulated")], role="simulated station")
    assert "SIMULATED: says nothing about a real line" in text_of(pdf_of(simulated), quick_path / "page.pdf")


def test_a_strange_name_cannot_break_the_page(quick_path: Path) -> None:
    odd = reviewed(quick_path, [Did("fail", model="<b>&\x1b[2J</i>", step="é\u202e" + "x" * 40_000, sentence="<para>")])
    assert pdf_of(odd).startswith(b"%PDF")


@pytest.fixture
def there(quick_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    with Line(quick_path).all([Did("pass"), Did("fail", step="\x1b[2Jodd")]).log as log:
        log.checkpoint()
    monkeypatch.chdir(quick_path)
    return quick_path


def test_the_command(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["review"]) == 0
    shown = capsys.readouterr().out
    assert "1 of 2 = 50.0 %" in shown
    assert "\x1b" not in shown and "\\x1b[2Jodd" in shown
    assert main(["review", "--json", "--pdf", "page.pdf"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["first_pass"] == {"number": 1, "of": 2, "low": pytest.approx(0.01258, abs=1e-5),
                                      "high": pytest.approx(0.98742, abs=1e-5)}
    assert document["silences"][0]["told"] is False
    assert document["by_bay"] == [{"name": "bay-1", "first_pass": document["first_pass"]}]
    assert (there / "page.pdf").read_bytes().startswith(b"%PDF")


def test_the_end_of_a_shift_shows_the_shift_alone(quick_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = Line(quick_path).all([Did("fail")])
    line.shift("begin")
    line.all([Did("pass"), Did("stopped", sentence=VOLTS), Did("pass")])
    line.shift("end")
    with line.log:
        line.log.checkpoint()
    station = dataclasses.replace(STATION, records=str(quick_path / "records"))
    say_shift(station, Path("s.yaml"))
    shown = capsys.readouterr().out
    assert "Review of the last shift: 2 pass, 1 stopped" in shown
    assert "eolseq review --shift --station s.yaml" in shown
    assert len(shown.splitlines()) <= 24


def test_the_command_for_the_last_shift(quick_path: Path, monkeypatch: pytest.MonkeyPatch,
                                        capsys: pytest.CaptureFixture[str]) -> None:
    line = Line(quick_path).all([Did("fail")])
    line.shift("begin", "bay-1")
    line.shift("begin", "bay-2")
    line.all([Did("pass"), Did("pass", bay="bay-2")])
    with line.log:
        line.log.checkpoint()
    monkeypatch.chdir(quick_path)
    assert main(["review", "--shift"]) == 0
    assert "Review of the last shift: 2 pass" in capsys.readouterr().out
    assert main(["review", "--since", "2026-01-06"]) == 0
    assert capsys.readouterr().out.startswith("Review of the time from 2026-01-06: no run ended\n")


def test_a_log_that_cannot_be_read_is_told_and_ends_nothing(quick_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    say_shift(dataclasses.replace(STATION, records=str(quick_path / "gone")), Path("s.yaml"))
    assert "The shift could not be reviewed. There is no log" in capsys.readouterr().out


WRONG = {
    "a page that is there": (["--pdf", "records/log.jsonl"], "cannot be written"),
    "no shift": (["--shift"], "has no shift"),
    "two windows": (["--shift", "--since", "2026"], "a window of its own"),
    "a page of more entries": (["--paper", "99", "ab"], "entries are missing"),
    "a page of none": (["--paper", "0", "ab"], "The log has"),
    "no number": (["--paper", "many", "ab"], "The log has"),
}


@pytest.mark.parametrize("case", WRONG)
def test_wrong_use(there: Path, case: str, capsys: pytest.CaptureFixture[str]) -> None:
    words, said = WRONG[case]
    before = (there / "records/log.jsonl").read_bytes()
    assert main(["review", *words]) == 2
    assert said in capsys.readouterr().err
    assert (there / "records/log.jsonl").read_bytes() == before


def test_the_paper_is_held_against_the_log_later(there: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["review", "--json"])
    log = json.loads(capsys.readouterr().out)["log"]
    with Line(there).all([Did("pass", "DH6-70000000")]).log as grown:
        grown.checkpoint()
    assert main(["review", "--paper", str(log["size"]), log["root"].upper()]) == 0
    assert main(["review", "--paper", str(log["size"] - 1), log["root"]]) == 1
    assert "NOT THE SAME" in capsys.readouterr().out
