"""Every shipped page is replayed against its transcript, and a transcript that differs anywhere is a mistake."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.errors import FileMistakes
from eolseq.instruments.page import load_page
from eolseq.instruments.transcript import replay
from tests.instruments.fake_link import DRIVERS

PAGES = sorted(path for path in DRIVERS.glob("*.yaml") if "kind: driver page" in path.read_text(encoding="utf-8"))


def test_there_are_pages_to_replay() -> None:
    assert len(PAGES) >= 9


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.stem)
def test_the_page_does_what_its_transcript_says(path: Path) -> None:
    page = load_page(path)
    assert {scene.does for scene in page.transcript} == {"identity", *page.does}
    assert [str(each) for each in replay(page).mistakes] == []


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.stem)
def test_every_exchange_left_out_or_added_is_found(path: Path, tmp_path: Path) -> None:
    """Each exchange of each scene once doubled: what is not used is told at its own place."""
    source = path.read_text(encoding="utf-8")
    exchanges = list(re.finditer(r'^ {6}- \{out: .*\}$', source, re.M))
    assert exchanges
    for found in exchanges:
        if 'in: "W"' in found[0]:
            continue  # a wait may look once more or once less
        changed = source[:found.end()] + "\n" + found[0] + source[found.end():]
        copy = tmp_path / path.name
        copy.write_text(changed, encoding="utf-8")
        if '"-' not in found[0] and "'-" not in found[0]:  # a queue may hold an error twice
            assert replay(load_page(copy)).mistakes, f"{found[0]} stands twice, and nothing was said"
        copy.write_text(source[:found.start()] + source[found.end():].removeprefix("\n"), encoding="utf-8")
        try:
            mistakes = replay(load_page(copy)).mistakes
        except FileMistakes as error:  # its scene is empty now
            mistakes = error.mistakes
        assert mistakes, f"{found[0]} is left out, and nothing was said"


CHANGES = {
    # name: (old, new, words of the mistake); on rm-4
    "another message": ('out: "READ?", in: "+1.8744E+01"', 'out: "FETC?", in: "+1.8744E+01"',
                        "'FETC?' stands here, and the page sends 'READ?'"),
    "another value": ("gives: {resistance: 18.744 ohm}", "gives: {resistance: 18.745 ohm}",
                      "the page reads resistance as 18.744 ohm, not as 18.745 ohm"),
    "another unit": ("gives: {resistance: 18.744 ohm}", "gives: {resistance: 18.744 V}", "not as 18.744 V"),
    "no value where there is one": ("gives: {resistance: 18.744 ohm}", "gives: {resistance: above range}",
                                    "not as above range"),
    "a value where there is none": ("gives: {resistance: above range}", "gives: {resistance: 9.9 ohm}",
                                    "reads resistance as above range"),
    "a reading not told": ("    gives: {resistance: 18.744 ohm}\n", "", "the page reads resistance as 18.744 ohm"),
    "a reading that is not there": ("gives: {resistance: 18.744 ohm}", "gives: {resistance: 18.744 ohm, volts: 1 V}",
                                    "gives no reading 'volts'"),
    "a flag that is not set": ("gives: {resistance: 18.744 ohm}",
                               "gives: {resistance: 18.744 ohm}\n    flags: [ready]", "the flags that the page sees are []"),
    "a reply to what is only sent": ('{out: "CONF:FRES 20.81"}', '{out: "CONF:FRES 20.81", in: "1"}',
                                     "the page reads no reply to 'CONF:FRES 20.81'"),
    "no reply to a question": ('{out: "READ?", in: "+1.8744E+01"}', '{out: "READ?"}', "waits for a reply to 'READ?'"),
    "a fault that is none": ("gives: {resistance: 18.744 ohm}", "fault: yes", "'measure' does not end in a fault"),
    "a fault not told": (",RM-4,SIM-0001", ",RM-5,SIM-0001", "'identity' ends with: transcript reports the model 'RM-5'"),
    "a setting off its range": ("{expected: 20.81 ohm}", "{expected: 20.81 Mohm}", "'prepare' ends with:"),
}


@pytest.mark.parametrize(("old", "new", "words"), CHANGES.values(), ids=CHANGES.keys())
def test_what_differs_is_told(old: str, new: str, words: str, tmp_path: Path) -> None:
    source = (DRIVERS / "rm-4.yaml").read_text(encoding="utf-8")
    assert source.count(old) == 1
    copy = tmp_path / "rm-4.yaml"
    copy.write_text(source.replace(old, new), encoding="utf-8")
    mistakes = replay(load_page(copy)).mistakes
    assert any(words in each.what for each in mistakes)
    assert all(each.place.path == str(copy) and each.place.line > 20 for each in mistakes)


def test_a_transcript_shows_every_action(tmp_path: Path) -> None:
    source = (DRIVERS / "dv-2.yaml").read_text(encoding="utf-8")
    copy = tmp_path / "dv-2.yaml"
    copy.write_text(source[:source.index("  - does: measure")], encoding="utf-8")
    assert [each.what for each in replay(load_page(copy)).mistakes] == ["the transcript never does 'measure'"]
    assert main(["check", str(copy)]) == 2
    copy.write_text(source[:source.index("# What goes over the line")], encoding="utf-8")
    assert replay(load_page(copy)).mistakes == [], "a page may have no transcript at all"


BAD = {
    "unknown action": ("  - does: measure\n", "  - does: mesure\n", "'mesure' is no action of this role", "measure"),
    "unknown setting": ("{expected: 2.64 A}", "{expectd: 2.64 A}", "'expectd' is not a setting", "expected"),
    "no unit known": ("{expected: 2.64 A}", "{expected: 2.64 amp}", "amp", ""),
    "unknown key": ("  - does: measure\n", "  - does_: measure\n", "'does_'", "does"),
}


@pytest.mark.parametrize(("old", "new", "what", "near"), BAD.values(), ids=BAD.keys())
def test_mistakes_in_a_transcript_have_a_place(old: str, new: str, what: str, near: str, tmp_path: Path) -> None:
    copy = tmp_path / "am-1.yaml"
    copy.write_text((DRIVERS / "am-1.yaml").read_text(encoding="utf-8").replace(old, new, 1), encoding="utf-8")
    with pytest.raises(FileMistakes) as caught:
        load_page(copy)
    found = [each for each in caught.value.mistakes if what in each.what]
    assert found and found[0].place.line > 25 and (not near or found[0].nearest == near)
