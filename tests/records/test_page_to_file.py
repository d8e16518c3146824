"""The page to file: what is said on it, read back from the PDF by another program, and what is drawn."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from eolseq.commands.records import arguments, run
from eolseq.errors import WrongUse
from eolseq.records import entries
from eolseq.records.filing import Line, Mark, sheet_of
from eolseq.records.log import Log
from eolseq.records.reader import Records
from tests.records.people import Plant, approval_document, carry, registry_document
from tests.records.samples import SEQUENCE, begin, end, energise, measured, open_log, whole_run

needs_pdftotext = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs pdftotext of poppler-utils")
SERIAL = "DH6-00000001"


def page(folder: Path, serial: str = SERIAL) -> str:
    """The text of the page as pdftotext finds it."""
    from eolseq.records.sheet import pdf_of

    path = folder / "page.pdf"
    path.write_bytes(pdf_of(sheet_of(Records.open(folder / "records"), serial)))
    done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    return done.stdout


def ended(log: Log, **changed: Any) -> None:
    """A run whose end is changed by force."""
    index = log.append(begin(log))
    log.append(energise(index))
    whole = end(log, index)
    log.append(replace(whole, **changed))
    log.checkpoint()


@needs_pdftotext
def test_the_page_says_everything(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        whole_run(log, outcome="fail")
        last = whole_run(log)
        log.checkpoint()
    said = page(tmp_path)
    found = Records.open(tmp_path / "records")
    for words in (SERIAL, "PASS", "As wanted.", "Two people are present.", "acknowledged by demo", "420 uA", "50 to 5000 uA",
                  "WT-5", "1001", "2027-01-31", "applied voltage", "1775 to 1777 V", "1758 to 1794 V", "11 looks",
                  "duct heater 6 kW", SEQUENCE.digest, found.origin, found.runs(SERIAL)[-1].leaf.hex(),
                  f"{last} of {found.size}, signature verified", "common practice, no source", "+4.20E-4",
                  "none: a simulated station asks for none", f"of {found.size} entries, signed by the station's key"):
        assert words in said, words
    assert re.findall(r"^ *([12]) +(FAIL|PASS) ", said, re.M) == [("1", "FAIL"), ("2", "PASS")]


@needs_pdftotext
def test_simulated_and_trial_are_said_large_and_on_every_page(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
    said = page(tmp_path)
    assert "SIMULATED: says nothing about a real unit" in said and "TRIAL" not in said
    real = tmp_path / "real"
    with open_log(real, role="station") as log:
        first = begin(log)
        index = log.append(replace(first, mode="real", trial="yes"))
        whole = end(log, index)
        many = whole.steps * 12
        log.append(replace(whole, mode="real", trial="yes", steps=many))
        log.checkpoint()
    said = page(real)
    assert "TRIAL: releases nothing" in said and "SIMULATED" not in said
    pages = said.split("\f")[:-1]
    assert len(pages) >= 2 and all(re.search(rf"TRIAL +page \d of {len(pages)}", each) for each in pages)


@needs_pdftotext
def test_a_page_names_its_approval_and_doubts_one_that_holds_no_more(quick_path: Path) -> None:
    plant = Plant(quick_path)
    with plant.log as log:
        index = carry(log, approval_document(plant.standing, "e-1", digest=SEQUENCE.digest, text=None))
        first = begin(log)
        run_index = log.append(replace(first, approval=index))
        log.append(end(log, run_index))
        log.checkpoint()
        said = page(quick_path)
        for words in (f"entry {index}, number 1", "e-1 (engineer, key ", "e-2", "2026-01-05", "for the test"):
            assert words in said, words
        assert "DOUBTFUL" not in said
        carry(log, registry_document(plant.standing, "q-1", "q-2", revoke={"e-1": index}))
        log.checkpoint()
        assert "DOUBTFUL" in page(quick_path)


ODD: dict[str, dict[str, Any]] = {
    "no steps": {"steps": ()},
    "a sentence like a program": {"sentence": "<b>&amp;</b> <para> </para> %s \\ \x1b[2J \u202e \u4e2d \U0001f600"},
    "a very long sentence": {"sentence": "too long " * 2000},
    "one very long word": {"sentence": "x" * 5000},
    "no number": {"steps": (entries.StepDone("s", "heater_resistance", "fail", "Open.", (measured(None, "fail"),)),)},
    "not measured": {"steps": (entries.StepDone("s", "heater_resistance", "fault", "No.", (measured(None, "fault"),)),)},
    "far outside": {"steps": (entries.StepDone("s", "heater_resistance", "fail", "No.", (measured("9999", "fail"),)),)},
    "a number that is none": {"steps": (entries.StepDone("s", "k", "fail", "No.", (measured("NaN", "fault"),)),)},
    "a number that is text": {"steps": (entries.StepDone("s", "k", "fail", "No.", (measured("abc", "fault"),)),)},
    "a step not reached": {"steps": (entries.StepDone("s", "motor_current", "not reached", "Not reached."),)},
    "a hundred steps": {"steps": tuple(entries.StepDone(f"step {n}", "k", "pass", "Yes.", (measured(),)) for n in range(40))},
}


@needs_pdftotext
@pytest.mark.parametrize("name", ODD)
def test_whatever_stands_in_a_record_there_is_a_page(tmp_path: Path, name: str) -> None:
    with open_log(tmp_path) as log:
        ended(log, **ODD[name])
    said = page(tmp_path)
    assert SERIAL in said and "Proof" in said and "leaf hash" in said
    if name == "a sentence like a program":
        assert r"<b>&amp;</b> <para> </para> %s \ \x1b[2J \u202e \u4e2d \U0001f600" in " ".join(said.split())
    if name in ("no number", "not measured"):
        assert "no number" in said


@needs_pdftotext
def test_a_run_that_was_cut_off_has_a_page_too(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        index = log.append(begin(log))
        log.append(energise(index))
        log.append(entries.Abandon(run=index, serial=SERIAL, reason="The program ended.", energised="yes"))
        log.checkpoint()
    said = page(tmp_path)
    assert "ABANDONED" in said and "The program ended." in said and "voltage was on" in said


def test_the_same_record_gives_the_same_bytes(tmp_path: Path) -> None:
    from eolseq.records.sheet import pdf_of

    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
    sheet = sheet_of(Records.open(tmp_path / "records"), SERIAL)
    assert pdf_of(sheet) == pdf_of(sheet)


@pytest.mark.parametrize(("value", "unit", "limits", "told"), [
    ("0.000420", "A", ("0.00005", "0.00500"), ("420 uA", "50 to 5000 uA")),
    ("0.0249", "ohm", ("0.002", "0.1"), ("24.9 mohm", "2 to 100 mohm")),
    ("140400", "ohm", ("10000", "4000000"), ("140.400 kohm", "10 to 4000 kohm")),
    ("1226", "V", ("1200", "1260"), ("1226 V", "1200 to 1260 V")),
    ("0.0", "V", (None, "60"), ("0.0 V", "at most 60 V")),
    ("5", "Mohm", ("2", None), ("5 Mohm", "at least 2 Mohm")),
    ("1.5", "furlong", (None, None), ("1.5 furlong", "no band")),
])
def test_numbers_keep_every_digit_in_the_multiple_that_reads_best(value: str, unit: str, limits: tuple[str | None, str | None],
                                                                   told: tuple[str, str]) -> None:
    from eolseq.records.figures import limits_text, multiple_for, shown

    multiple = multiple_for(unit, value if float(value) else limits[1])
    assert (shown(value, unit, multiple), limits_text(*limits, unit, multiple)) == told


def drawn(mark: Mark, width: float = 100) -> list[tuple[str, tuple[float, ...]]]:
    """What a drawing puts on its canvas, call by call."""
    from eolseq.records.band_drawing import BandDrawing

    calls: list[tuple[str, tuple[float, ...]]] = []

    class Canvas:
        """Keeps what is drawn."""

        def __getattr__(self, name: str) -> Any:
            def keep(*words: Any, **_: Any) -> Any:
                calls.append((name, words))
                return self
            return keep

    drawing: Any = BandDrawing(mark, width)
    drawing.canv = Canvas()
    drawing.draw()
    return calls


@pytest.mark.parametrize(("mark", "inside", "crosses", "arrows"), [
    (Mark(1, 2, (1.5,)), 1, 0, 0), (Mark(1, 2, (1,)), 1, 0, 0), (Mark(1, 2, (2,)), 1, 0, 0),
    (Mark(1, 2, (2.1,)), 0, 1, 0), (Mark(1, 2, (0.9,)), 0, 1, 0), (Mark(1, 2, (99,)), 0, 0, 1),
    (Mark(1, 2, (-99,)), 0, 0, 1), (Mark(None, 60, (0,)), 1, 0, 0), (Mark(None, 60, (61,)), 0, 1, 0),
    (Mark(2, None, (3,)), 1, 0, 0), (Mark(2, None, (1.9,)), 0, 1, 0), (Mark(1, 2, ()), 0, 0, 0),
    (Mark(1, 2, (), above=True), 0, 0, 1), (Mark(1, 1, (1,)), 1, 0, 0)])
def test_a_mark_is_inside_exactly_when_its_number_is(mark: Mark, inside: int, crosses: int, arrows: int) -> None:
    calls = drawn(mark)
    assert sum(name == "drawPath" for name, _ in calls) == inside
    slanted = [words for name, words in calls if name == "line" and words[0] != words[2] and words[1] != words[3]]
    assert len(slanted) == 2 * crosses + 4 * arrows
    assert all(-4 <= x <= 104 for name, words in calls if name == "line" for x in words[::2])
    posts = [words[0] for name, words in calls if name == "line" and words[0] == words[2] and words[3] - words[1] == 8]
    middles = [sum(words[::2]) / 2 for words in slanted[:2]] if crosses else []
    assert all(abs(post - middle) >= 5 for post in posts for middle in middles)  # a cross never stands on a post


@pytest.mark.parametrize("value", [2.5, 20, 2000])
def test_above_a_floor_alone_every_number_is_inside_the_drawing(value: float) -> None:
    assert [name for name, _ in drawn(Mark(2, None, (value,)))].count("drawPath") == 1


def test_the_command_writes_a_page_and_never_over_another_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                                capsys: pytest.CaptureFixture[str]) -> None:
    import argparse

    monkeypatch.chdir(tmp_path)
    with open_log(tmp_path) as log:
        whole_run(log)
        log.append(begin(log, "DH6-00000002"))
        log.checkpoint()
    parser = argparse.ArgumentParser()
    arguments(parser)
    assert run(parser.parse_args([SERIAL, "--pdf", "unit.pdf"])) == 0
    assert "wrote unit.pdf" in capsys.readouterr().out and Path("unit.pdf").read_bytes().startswith(b"%PDF-")
    for words, reason in (((SERIAL, "--pdf", "unit.pdf"), "cannot be written"), (("--pdf", "x.pdf"), "is for one unit"),
                          (("DH6-00000002", "--pdf", "x.pdf"), "has not ended")):
        with pytest.raises(WrongUse, match=reason):
            run(parser.parse_args(list(words)))
    assert not Path("x.pdf").exists()


def test_lines_carry_what_they_rest_on(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
    sheet = sheet_of(Records.open(tmp_path / "records"), SERIAL)
    line: Line = sheet.steps[0].readings[0]
    assert "common practice, no source" in line.why and "WT-5 1001, range 4 mA" in line.why and "+4.20E-4" in line.raw
    assert (line.mark.low, line.mark.high, line.mark.values) == (0.00005, 0.005, (0.00042,))
