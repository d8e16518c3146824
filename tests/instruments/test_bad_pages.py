"""Bad driver pages as a named table: what is changed in a good page, and where and what the mistake must be."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.errors import FileMistakes
from eolseq.instruments.page import load_page

GOOD = """\
format: 1
kind: driver page
role: power_source
line: {end: LF, second_connection: yes}
identity: {ask: "*IDN?", reply: "{maker:text},{model:text}", model: P-1}
errors: {ask: "SYST:ERR?", reply: "{code:integer},{words:text}", none: 0}
stop: OUTP OFF
takes:
  volts: {in: V, from: 10 V, to: 300 V, step: 0.1 V}
  hertz: {in: Hz, from: 45 Hz, to: 65 Hz, step: 0.1 Hz}
  current_limit: {in: A, from: 0.1 A, to: 40 A}
  longest_on: {in: s, from: 0.1 s, to: 600 s}
gives:
  volts: {in: V, ranges: [{to: 30 V, resolution: 10 mV}, {to: 330 V, accuracy: 0.3 % of reading + 3 counts, resolution: 0.1 V}]}
  hertz: {in: Hz}
bits:
  work: {4: holding}
  doubt: {1: limited}
  output: {0: on}
does:
  prepare:
    - {send: "VOLT {volts};FREQ {hertz};CURR:PROT {current_limit}"}
    - {send: "LIST:DWEL {longest_on}"}
  energise:
    - {ask: "OUTP ON;*OPC?", reply: "1", within: 500 ms}
  measure:
    - {ask: "MEAS:VOLT?;FREQ?", reply: "{volts:V};{hertz:Hz}"}
    - {wait: "STAT?", reply: "{work:bits};{doubt:bits}", until: [{holding: on}], within: [longest_on, 2 s], every: 5 ms}
  off: [{ask: "OUTP OFF;*OPC?", reply: "1"}]
  output: [{ask: "OUTP?", reply: "{output:bits}"}]
"""


@dataclass(frozen=True)
class Bad:
    """One bad page: a text to replace, by what, and the place, words and suggestion of the mistake."""

    old: str
    new: str
    place: tuple[int, int]
    what: str
    near: str = ""


WITHSTAND = "role: power_source"

TABLE = {
    "unknown key": Bad("stop: OUTP OFF", "stopp: OUTP OFF", (7, 1), "unknown key 'stopp' in the driver page", "stop"),
    "unknown role": Bad("role: power_source", "role: power_sauce", (3, 7), "'power_sauce' is not a word", "power_source"),
    "wrong kind": Bad("kind: driver page", "kind: driver pages", (2, 7), "'driver pages' is not a word", "driver page"),
    "wrong format": Bad("format: 1", "format: 2", (1, 9), "'2' is not a word"),
    "repeated key": Bad("stop: OUTP OFF", "stop: OUTP OFF\nstop: ABOR", (8, 1), "the key 'stop' is repeated"),
    "no stop": Bad("stop: OUTP OFF\n", "", (1, 1), "'stop' is missing: a power_source makes danger"),
    "no identity": Bad('identity: {ask: "*IDN?", reply: "{maker:text},{model:text}", model: P-1}\n', "", (1, 1),
                       "'identity' is missing"),
    "no model in the identity": Bad("{model:text}", "{modell:text}", (5, 33), "the reply has no field 'model:text'"),
    "no code in the errors": Bad("{code:integer},", "{kode:integer},", (6, 35), "the reply has no field 'code:integer'"),
    "code that is no integer": Bad("{code:integer},", "{code:text},", (6, 35), "the reply has no field 'code:integer'"),
    "deadline of nothing": Bad("within: 500 ms", "within: 0 ms", (25, 50), "'0 ms' is outside what is possible here"),
    "unknown line end": Bad("end: LF", "end: LFCR", (4, 13), "'LFCR' is not a word known here", "LF"),
    "true for yes": Bad("second_connection: yes", "second_connection: true", (4, 36), "'true' is not an answer", "yes"),
    "unknown setting": Bad("  hertz: {in: Hz, from", "  herz: {in: Hz, from", (10, 3),
                           "'herz' is not a setting of this role", "hertz"),
    "setting missing": Bad("  longest_on: {in: s, from: 0.1 s, to: 600 s}\n", "", (9, 3),
                           "the setting 'longest_on' is missing in 'takes'"),
    "setting without a unit": Bad("{in: A, from: 0.1 A, to: 40 A}", "{from: 0.1 A, to: 40 A}", (11, 18),
                                  "'in' is missing in a setting"),
    "unit unknown": Bad("{in: A, from: 0.1 A, to: 40 A}", "{in: a, from: 0.1 A, to: 40 A}", (11, 23),
                        "'a' is not a unit known here", "A"),
    "unit of another kind": Bad("{in: A, from: 0.1 A, to: 40 A}", "{in: V, from: 0.1 A, to: 40 A}", (11, 23),
                                "'current_limit' is in V"),
    "limit of another kind": Bad("to: 40 A}", "to: 40 V}", (11, 43), "'40 V' is in V"),
    "limit without a unit": Bad("to: 40 A}", "to: 40}", (11, 43), "'40' is in no unit"),
    "limits the wrong way round": Bad("from: 10 V, to: 300 V", "from: 300 V, to: 10 V", (9, 35),
                                      "'to' 10 V is below 'from' 300 V"),
    "step of nothing": Bad("to: 300 V, step: 0.1 V", "to: 300 V, step: 0 V", (9, 47), "the step 0 V does not lead"),
    "step that misses the end": Bad("to: 300 V, step: 0.1 V", "to: 300 V, step: 7 V", (9, 47),
                                    "the step 7 V does not lead from 10 V to 300 V"),
    "words for a number": Bad("{in: A, from: 0.1 A, to: 40 A}", "{words: {low: 1, high: 2}}", (11, 19),
                              "'current_limit' is a number, not a word"),
    "unknown reading": Bad("  hertz: {in: Hz}\n", "  hertzz: {in: Hz}\n", (15, 3),
                           "'hertzz' is not a reading of this role", "hertz"),
    "reading in another unit": Bad("  hertz: {in: Hz}\n", "  hertz: {in: s}\n", (15, 15), "'hertz' is in s"),
    "ranges the wrong way round": Bad("{to: 30 V, resolution: 10 mV}", "{to: 430 V}", (14, 45),
                                      "the range to 330 V stands after the one to 430 V"),
    "resolution of nothing": Bad("resolution: 10 mV", "resolution: 0 mV", (14, 50), "a resolution of nothing"),
    "accuracy in other words": Bad("0.3 % of reading + 3 counts", "0.3 % rdg", (14, 80),
                                   "'0.3 % rdg' is not an accuracy known here"),
    "bit without a number": Bad("work: {4: holding}", "work: {four: holding}", (17, 10), "'four' is no name for this"),
    "unknown flag": Bad("doubt: {1: limited}", "doubt: {1: limitd}", (18, 14), "'limitd' is not a flag", "limited"),
    "unknown action": Bad("  off: [{ask", "  of: [{ask", (29, 3), "'of' is not an action of this role", "off"),
    "action missing": Bad('  output: [{ask: "OUTP?", reply: "{output:bits}"}]\n', "", (21, 3),
                          "the action 'output' is missing in 'does'"),
    "unknown setting in a message": Bad("LIST:DWEL {longest_on}", "LIST:DWEL {longest}", (23, 14),
                                        "'{longest}' is not a setting that this action is given", "longest_on"),
    "setting of another action": Bad('"OUTP ON;*OPC?"', '"VOLT {volts};OUTP ON;*OPC?"', (25, 13),
                                     "'{volts}' is not a setting that this action is given"),
    "setting never sent": Bad(";CURR:PROT {current_limit}", "", (21, 3), "'prepare' never sends the setting 'current_limit'"),
    "open brace": Bad("LIST:DWEL {longest_on}", "LIST:DWEL {longest_on", (23, 14), "a brace without its partner"),
    "letter beyond ASCII": Bad("LIST:DWEL {", "LIST:DWÉL {", (23, 14), "a letter that may not be sent"),
    "two in one line": Bad('- {send: "LIST', '- {ask: "X?", send: "LIST', (23, 7), "a line with 'send' and 'ask'"),
    "line that does nothing": Bad('- {send: "LIST:DWEL {longest_on}"}', "- {within: 1 s}", (23, 7),
                                  "a line that does nothing"),
    "ask without a reply": Bad('off: [{ask: "OUTP OFF;*OPC?", reply: "1"}]', 'off: [{ask: "OUTP OFF;*OPC?"}]', (29, 9),
                               "'reply' is missing beside 'ask'"),
    "send with a reply": Bad('{send: "LIST:DWEL {longest_on}"}', '{send: "LIST:DWEL {longest_on}", reply: "1"}',
                             (23, 40), "'reply' has no meaning beside 'send'"),
    "wait without a deadline": Bad("within: [longest_on, 2 s], ", "", (28, 7), "'within' is missing beside 'wait'"),
    "deadline of another kind": Bad("within: [longest_on, 2 s]", "within: [longest_on, 2 V]", (28, 103),
                                    "'2 V' is in V"),
    "deadline by an unknown setting": Bad("within: [longest_on, 2 s]", "within: [longest, 2 s]", (28, 90),
                                          "'longest' is not a setting that is a time", "longest_on"),
    "until what never comes": Bad("until: [{holding: on}]", "until: [{holdin: on}]", (28, 67),
                                  "the reply never sets the flag 'holdin'", "holding"),
    "until neither on nor off": Bad("until: [{holding: on}]", "until: [{holding: yes}]", (28, 76),
                                    "'yes' is not a word known here"),
    "bad kind of field": Bad("{volts:V}", "{volts:volt}", (27, 40), "'volt' is no kind of field"),
    "field without a kind": Bad("{volts:V}", "{volts}", (27, 40), "'{volts}' has no kind"),
    "field in another unit": Bad("{volts:V}", "{volts:A}", (27, 40), "'volts' is in A here"),
    "field of an unknown reading": Bad("{volts:V}", "{vols:V}", (27, 40), "'vols' is not a reading of this role", "volts"),
    "factor of nothing": Bad("{volts:V}", "{volts:0 V}", (27, 40), "'0 V' multiplies by nothing"),
    "field of unknown bits": Bad("{output:bits}", "{outptu:bits}", (30, 34), "'outptu' is not described under 'bits'",
                                 "output"),
    "field twice": Bad("{volts:V};{hertz:Hz}", "{volts:V};{hertz:Hz};{hertz:Hz}", (27, 40), "'hertz' stands twice"),
    "fields without a sign between": Bad("{volts:V};{hertz:Hz}", "{volts:V}{hertz:Hz}", (27, 40),
                                         "nothing stands between 'volts' and the next field"),
    "digit after a number": Bad("{volts:V};{hertz:Hz}", "{volts:V}0{hertz:Hz}", (27, 40),
                                "'0' after 'volts' could be part of the number"),
    "reading never given": Bad("{volts:V};{hertz:Hz}", "{volts:V}", (26, 3), "'measure' never gives the reading 'hertz'"),
    "flag never given": Bad("{output:bits}", "{output:text}", (30, 3), "'output' never gives the flag 'on'"),
    "flag of a measurement never given": Bad("{work:bits};{doubt:bits}", "{work:bits};{doubt:text}", (26, 3),
                                             "'measure' never gives the flag 'limited'"),
    "energise not confirmed": Bad('- {ask: "OUTP ON;*OPC?", reply: "1", within: 500 ms}', '- {send: "OUTP ON"}', (24, 3),
                                  "'energise' is not confirmed"),
    "off not confirmed": Bad('off: [{ask: "OUTP OFF;*OPC?", reply: "1"}]', 'off: [{send: "OUTP OFF"}]', (29, 3),
                             "'off' is not confirmed"),
    "tab in the YAML": Bad("  output: [{ask", "\toutput: [{ask", (30, 1), "not readable as YAML"),
    "a list where a mapping should be": Bad("bits:\n  work: {4: holding}", "bits:\n  work: [holding]", (17, 9),
                                            "a list stands here"),
}


def mistakes(path: Path, source: str) -> FileMistakes:
    path.write_text(source, encoding="utf-8")
    with pytest.raises(FileMistakes) as caught:
        load_page(path)
    return caught.value


def test_the_good_page_is_good(tmp_path: Path) -> None:
    path = tmp_path / "p-1.yaml"
    path.write_text(GOOD, encoding="utf-8")
    assert load_page(path).model == "P-1"
    assert len(TABLE) >= 40


@pytest.mark.parametrize("bad", TABLE.values(), ids=TABLE)
def test_bad_page(tmp_path: Path, bad: Bad) -> None:
    assert GOOD.count(bad.old) == 1, "the row must change exactly one place"
    found = mistakes(tmp_path / "p-1.yaml", GOOD.replace(bad.old, bad.new))
    named = [each for each in found.mistakes if bad.what in each.what]
    assert named, f"only {[str(each) for each in found.mistakes]}"
    assert (named[0].place.line, named[0].place.column) == bad.place
    assert named[0].nearest == bad.near
    assert str(tmp_path / "p-1.yaml") in str(found)


PIECES = st.sampled_from(["{", "}", "[", "]", ":", ",", "\n", "\n  ", "- ", '"', "~", "", "0 V", "1", "²", "-1", "V", "on", "nothing",
                          "volts", "{volts}", "{work:bits}", "send: x", "*a", "&a x", "1E400 V", "99999999999999999999 s"])


@given(st.lists(st.tuples(st.integers(0, len(GOOD) - 1), st.integers(0, 24), PIECES), min_size=1, max_size=4))
@settings(max_examples=150, deadline=None)
def test_any_damage_is_a_mistake_or_harmless(changes: list[tuple[int, int, str]]) -> None:
    source = GOOD
    for start, length, piece in changes:
        source = source[:start] + piece + source[start + length:]
    with TemporaryDirectory() as folder:
        path = Path(folder) / "p-1.yaml"
        path.write_text(source, encoding="utf-8")
        try:
            page = load_page(path)
        except FileMistakes as error:
            assert error.mistakes
        else:
            assert set(page.does) == {"prepare", "energise", "measure", "off", "output"}
            assert page.stop


def test_all_mistakes_in_one_go(tmp_path: Path) -> None:
    source = GOOD
    for name in ("unknown setting", "unknown reading", "bad kind of field", "off not confirmed", "unknown flag"):
        source = source.replace(TABLE[name].old, TABLE[name].new)
    lines = {each.place.line for each in mistakes(tmp_path / "p-1.yaml", source).mistakes}
    assert {10, 15, 18, 27, 29} <= lines


def test_a_setting_with_one_value_need_not_be_sent(tmp_path: Path) -> None:
    path = tmp_path / "p-1.yaml"
    path.write_text(GOOD.replace("{in: Hz, from: 45 Hz, to: 65 Hz, step: 0.1 Hz}", "{in: Hz, from: 60 Hz, to: 60 Hz}")
                    .replace(";FREQ {hertz}", ""), encoding="utf-8")
    page = load_page(path)
    assert page.takes["hertz"].fixed


def test_frequency_stands_alone(tmp_path: Path) -> None:
    source = (Path(__file__).resolve().parents[2] / "drivers/wt-5.yaml").read_text(encoding="utf-8")
    joined = source.replace('"SOUR:FREQ {frequency}"', '"SOUR:FREQ {frequency};VOLT {voltage}"')
    found = mistakes(tmp_path / "wt-5.yaml", joined).mistakes
    assert ["'frequency' stands beside other settings" in each.what for each in found] == [True]


def test_other_roles_have_no_stop(tmp_path: Path) -> None:
    source = (Path(__file__).resolve().parents[2] / "drivers/rm-4.yaml").read_text(encoding="utf-8")
    found = mistakes(tmp_path / "rm-4.yaml", source.replace("\ntakes:", "\nstop: OUTP OFF\ntakes:", 1)).mistakes
    assert [each.what for each in found] == ["a resistance_meter makes no danger"]


@pytest.mark.parametrize(("page", "old", "new", "whats"), [
    ("gu-2", "{lamps:bits}", "{lamps:text}", ["'look' never gives the flag 'green'", "'look' never gives the flag 'red'"]),
    ("sw-40", "{closed:channels}", "{closed:text}", ["'closed' never gives the closed channels"]),
])
def test_looks_give_everything(tmp_path: Path, page: str, old: str, new: str, whats: list[str]) -> None:
    source = (Path(__file__).resolve().parents[2] / f"drivers/{page}.yaml").read_text(encoding="utf-8")
    found = mistakes(tmp_path / f"{page}.yaml", source.replace(old, new)).mistakes
    assert [each.what for each in found] == whats


def test_words_of_a_setting(tmp_path: Path) -> None:
    source = (Path(__file__).resolve().parents[2] / "drivers/wt-5.yaml").read_text(encoding="utf-8")
    found = mistakes(tmp_path / "wt-5.yaml", source.replace('total: "1"', 'totl: "1"')).mistakes
    assert [(each.what, each.nearest) for each in found] == [("'totl' is not a word of 'trip_on'", "total")]


def test_a_decimal_comma_cannot_part_two_numbers(tmp_path: Path) -> None:
    source = GOOD.replace("end: LF,", "end: LF, decimal: comma,").replace("{volts:V};{hertz:Hz}", "{volts:V},{hertz:Hz}")
    found = mistakes(tmp_path / "p-1.yaml", source).mistakes
    assert [each.what for each in found] == ["',' after 'volts' could be part of the number"]
