"""The page at the end of a shift, made by itself: where it goes, what the log says of it, and that nothing hangs on it."""

from __future__ import annotations

import dataclasses
import subprocess
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path

import pytest

from eolseq.commands import printing
from eolseq.commands.review import say_shift
from eolseq.commands.review_paper import ShiftPaper
from eolseq.errors import FileMistakes
from eolseq.records.reader import Records
from eolseq.review.sheet import pdf_of
from eolseq.review.window import Window
from eolseq.station.file import Station, load_station
from eolseq.station.review_fields import ReviewRules
from tests.review.lines import Did, Line

ROOT = Path(__file__).resolve().parents[2]
STATION = load_station(ROOT / "simulators/line-station.yaml")


@pytest.fixture
def line(quick_path: Path) -> Iterator[Line]:
    found = Line(quick_path)
    with found.log:
        found.shift("begin")
        found.all([Did("pass"), Did("fail")])
        found.shift("end")
        yield found


def station(line: Line, rules: ReviewRules | None) -> Station:
    assert STATION.shift is not None
    return dataclasses.replace(STATION, records=str(line.base / "records"),
                               shift=dataclasses.replace(STATION.shift, review=rules))


def remarks(line: Line) -> list[str]:
    line.log.checkpoint()
    found = Records.open(line.base / "records").payloads(frozenset({"remark"}))
    return [str(entry["reason"]) for _, entry in found]


def test_a_station_that_asks_for_none_prints_none(line: Line) -> None:
    paper = ShiftPaper(station(line, None))
    paper.print(line.log)
    assert paper.said == "" and remarks(line) == []


def test_the_log_knows_which_page_it_was(line: Line, capsys: pytest.CaptureFixture[str]) -> None:
    size, root = line.log.size, line.log.root().hex()
    bench = station(line, ReviewRules(folder=str(line.base / "reviews")))
    paper = ShiftPaper(bench)
    paper.print(line.log)
    (page,) = (line.base / "reviews").iterdir()
    assert page.name == f"shift review of {size} entries.pdf"
    (said,) = remarks(line)
    assert sha256(page.read_bytes()).hexdigest() in said
    assert f"It names {size} entries and the root {root}" in said
    text = subprocess.run(["pdftotext", "-layout", page, "-"], capture_output=True, text=True, check=True).stdout
    assert root in text and "the shift of 2026-01-05, 06:00 UTC" in text and "1 of 2" in text
    say_shift(bench, Path("s.yaml"), paper.said)
    shown = capsys.readouterr().out
    assert "The page of this shift: wrote" in shown and "Review of the last shift: 1 pass, 1 fail" in shown
    assert all(len(each) <= 80 or "/" in each for each in shown.splitlines())


def test_a_page_that_is_there_is_not_written_over(line: Line) -> None:
    reviews = line.base / "reviews"
    reviews.mkdir()
    there = reviews / f"shift review of {line.log.size} entries.pdf"
    there.write_bytes(b"kept")
    paper = ShiftPaper(station(line, ReviewRules(folder=str(reviews))))
    paper.print(line.log)
    assert there.read_bytes() == b"kept" and "may be missing" in paper.said


FAILURES = {
    "no such folder can be made": ReviewRules(folder="/proc/none/reviews"),
    "no such queue": ReviewRules(printer="no-such-queue"),
}


@pytest.mark.parametrize("case", FAILURES)
def test_a_page_that_cannot_be_printed_is_a_sentence(line: Line, case: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "")  # so that there is no lp either
    paper = ShiftPaper(station(line, FAILURES[case]))
    paper.print(line.log)
    assert "may be missing" in paper.said and "eolseq review --shift 1 --pdf" in paper.said
    (said,) = remarks(line)
    assert "may be missing" in said and "its SHA-256 is" in said


def test_a_print_queue_gets_the_page(line: Line, monkeypatch: pytest.MonkeyPatch) -> None:
    sent: list[tuple[str, bytes]] = []

    class Queue(printing.Queue):
        def print(self, name: str, pdf: bytes, text: str = "") -> str:
            sent.append((name, pdf))
            return "job 7"

    monkeypatch.setattr(printing, "Queue", Queue)
    expected = pdf_of(line.review(window=_shift(line), takt=90.0))
    paper = ShiftPaper(station(line, ReviewRules(printer="office")))
    paper.print(line.log)
    assert [pdf for _, pdf in sent] == [expected]
    assert "job 7" in paper.said and "queue office: job 7" in remarks(line)[0]


def _shift(line: Line) -> Window:
    from eolseq.commands.review import shift_window
    line.log.checkpoint()
    return shift_window(Records.open(line.base / "records"))


def test_a_shift_without_a_unit_has_no_page(line: Line) -> None:
    line.shift("begin")
    line.shift("end")
    paper = ShiftPaper(station(line, ReviewRules(folder=str(line.base / "reviews"))))
    paper.print(line.log)
    assert paper.said == "No unit was tested in this shift, so it has no page."
    assert remarks(line) == [] and not (line.base / "reviews").exists()


def test_no_shift_and_no_log_are_sentences(quick_path: Path) -> None:
    empty = Line(quick_path)
    with empty.log:
        paper = ShiftPaper(station(empty, ReviewRules(folder=str(quick_path / "reviews"))))
        paper.print(empty.log)
        assert paper.said.startswith("NO PAGE of this shift: The log")
        (quick_path / "records/log.jsonl").rename(quick_path / "away")
        paper.print(empty.log)
        assert "NO PAGE of this shift: There is no log" in paper.said


MISTAKES = {
    "both ways": ("{folder: pages, printer: office}", "to a printer or to a folder"),
    "no way": ("{}", "to a printer or to a folder"),
    "among the records": ("{folder: line-records/pages}", "lie in the records folder"),
}


@pytest.mark.parametrize("case", MISTAKES)
def test_mistakes_in_the_station_file(case: str, tmp_path: Path) -> None:
    words, said = MISTAKES[case]
    text = (ROOT / "simulators/line-station.yaml").read_text(encoding="utf-8")
    path = tmp_path / "station.yaml"
    path.write_text(text.replace("review: {folder: line-reviews}", f"review: {words}"), encoding="utf-8")
    with pytest.raises(FileMistakes, match=said):
        load_station(path)
