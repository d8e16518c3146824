"""Every shipped register page is replayed against its transcript; a transcript that differs anywhere is a mistake."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.errors import FileMistakes
from eolseq.instruments.register_page import load_register_page
from eolseq.instruments.register_transcript import replay_registers
from tests.instruments.fake_link import DRIVERS

PAGES = sorted((DRIVERS / "registers").glob("*.yaml"))
REQUEST = re.compile(r"\{(?:read|write): .*?\}")


def test_there_are_pages_to_replay() -> None:
    assert len(PAGES) >= 2


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.stem)
def test_the_page_does_what_its_transcript_says(path: Path) -> None:
    page = load_register_page(path)
    assert {scene.does for scene in page.transcript} == {"identity", *page.does}
    assert [str(each) for each in replay_registers(page).mistakes] == []


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.stem)
def test_every_request_left_out_or_doubled_is_found(path: Path, tmp_path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    start = source.index("transcript:")
    found = list(REQUEST.finditer(source, start))
    assert len(found) >= 6
    copy = tmp_path / path.name
    for each in found:
        doubled = f"{each[0]}, {each[0]}" if source[each.start() - 1] == "[" else f"{each[0]}\n      - {each[0]}"
        copy.write_text(source[:each.start()] + doubled + source[each.end():], encoding="utf-8")
        faulty = "fault: yes" in source[each.end():].partition("  - does")[0]
        mistakes = replay_registers(load_register_page(copy)).mistakes
        assert mistakes, f"{each[0]} stands twice, and nothing was said"
        copy.write_text(source[:each.start()] + ("~" if not faulty else "") + source[each.end():], encoding="utf-8")
        with pytest.raises(FileMistakes):
            replay_registers(load_register_page(copy)).raise_if_any()


CHANGES = {
    # name: (page, old, new, words of the mistake)
    "another value": ("pm-8", "gives: {volts: 239.87 V, current_rms: 25713 mA", "gives: {volts: 239.88 V, current_rms: 25713 mA",
                      "the page reads volts as 239.87 V, not as 239.88 V"),
    "halves swapped": ("pm-8", "words: high_first", "words: low_first", "the page reads volts as"),
    "another factor": ("pm-8", "factor: 0.1, above", "factor: 0.01, above", "the page reads watts as"),
    "a count that is no value": ("pm-8", "in: mA, none: [4294967295]", "in: mA", "the page reads current_rms as 4294967295 mA"),
    "another address": ("gu-8", "{table: coil, at: 2, value: 1}", "{table: coil, at: 3, value: 1}",
                        "stands here, and the page sends 'write coil 3: 1'"),
    "another number": ("gu-8", "out: [30]", "out: [31]", "stands here, and the page sends 'write holding 10: 30'"),
    "too few bits": ("gu-8", "in: [1, 1, 0, 0, 0, 0, 1]", "in: [1, 1, 0, 0, 0, 0]", "and the page reads 7"),
    "another flag": ("gu-8", "contact_a: 0, contact_b: 1", "contact_a: 1, contact_b: 0", "the flags that the page sees are"),
    "a fault not told": ("pm-8", "    fault: yes\n", "", "reports the model 'PM-9'"),
    "a fault that is none": ("gu-8", "    flags: [contact_a, contact_b, green]\n", "    fault: yes\n",
                             "'look' does not end in a fault"),
    "an action not shown": ("gu-8", "  - does: contactor_off\n    exchanges: [{write: coil, at: 0, out: [0]}]\n", "",
                            "never does 'contactor_off'"),
    "a setting off its range": ("gu-8", "with: {watchdog: 300 ms}", "with: {watchdog: 30 s}", "'prepare' ends with:"),
    "neither read nor written": ("gu-8", "{write: coil, at: 0, out: [0]}", "{at: 0, out: [0]}", "neither one request to read"),
    "read and written": ("gu-8", "{write: coil, at: 0, out: [0]}", "{write: coil, read: coil, at: 0, out: [0]}",
                         "neither one request to read"),
    "unknown action": ("gu-8", "does: unlock", "does: unlok", "'unlok' is no action of this role"),
}


@pytest.mark.parametrize(("page", "old", "new", "words"), CHANGES.values(), ids=CHANGES.keys())
def test_what_differs_is_told_at_its_place(page: str, old: str, new: str, words: str, tmp_path: Path,
                                           capsys: pytest.CaptureFixture[str]) -> None:
    source = (DRIVERS / f"registers/{page}.yaml").read_text(encoding="utf-8")
    assert old in source
    copy = tmp_path / "page.yaml"
    copy.write_text(source.replace(old, new, 1), encoding="utf-8")
    assert main(["check", str(copy)]) == 2
    said = capsys.readouterr()
    assert words in said.out + said.err and "page.yaml:" in said.out + said.err


def test_a_page_may_have_no_transcript_at_all(tmp_path: Path) -> None:
    source = (DRIVERS / "registers/pm-8.yaml").read_text(encoding="utf-8")
    copy = tmp_path / "pm-8.yaml"
    copy.write_text(source[:source.index("# What goes over the line")], encoding="utf-8")
    assert replay_registers(load_register_page(copy)).mistakes == []
