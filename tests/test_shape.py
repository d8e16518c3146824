"""YAML by a table of fields: a place for every mistake, and none of YAML's own readings."""

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.errors import FileMistakes
from eolseq.shape import LARGEST_FILE, Amount, Count, Day, Field, Group, ListOf, MapOf, Text, Word, YesNo, load

THING = Group({
    "name": Field(Text(20)),
    "volts": Field(Amount("V", above=Decimal(0), at_most=Decimal(1000))),
    "sure": Field(YesNo(), required=False, default=False),
    "count": Field(Count(1, 9), required=False, default=1),
    "when": Field(Day(), required=False),
    "colour": Field(Word(("red", "green")), required=False),
    "parts": Field(ListOf(Text(10), 1, 3), required=False),
    "named": Field(MapOf(Count(1, 9)), required=False),
}, "the thing")

HEAD = "format: 1\nkind: thing\nname: x\nvolts: 230 V\n"

# name: (text after the head, line, column, part of the message)
BAD = {
    "unknown key": ("colur: red\n", 5, 1, "did you mean 'colour'"),
    "repeated key": ("name: y\n", 5, 1, "repeated (first on line 3)"),
    "yes as true": ("sure: true\n", 5, 7, "did you mean 'yes'"),
    "no as off": ("sure: off\n", 5, 7, "did you mean 'no'"),
    "octal": ("count: 010\n", 5, 8, "not a whole number"),
    "sexagesimal": ("count: 1:30\n", 5, 8, "not a whole number"),
    "a float for a count": ("count: 1.0\n", 5, 8, "not a whole number"),
    "no such day": ("when: 2026-02-30\n", 5, 7, "not a day"),
    "unknown word": ("colour: gren\n", 5, 9, "did you mean 'green'"),
    "null": ("colour: ~\n", 5, 9, "no value"),
    "empty": ("colour:\n", 5, 8, "no value"),
    "list for a word": ("colour: [red]\n", 5, 9, "a list stands here"),
    "word for a list": ("parts: red\n", 5, 8, "a single value stands here"),
    "too many": ("parts: [a, b, c, d]\n", 5, 8, "a list of 4"),
    "too few": ("parts: []\n", 5, 8, "a list of 0"),
    "a tag": ("colour: !!python/name:os.system red\n", 5, 9, "the tag"),
    "merge key": ("<<: {colour: red}\n", 5, 1, "unknown key '<<'"),
    "circle": ("named: &a {b: *a}\n", 5, 8, "an alias refers"),
    "bad name": ("named: {'-': 1}\n", 5, 9, "no name"),
    "list as key": ("? [a]\n: b\n", 5, 3, "stands where a key should"),
    "tab": ("\tcolour: red\n", 5, 1, "not readable as YAML"),
    "second document": ("---\nformat: 1\n", 5, 1, "another document"),
}


@pytest.mark.parametrize(("text", "line", "column", "words"), BAD.values(), ids=BAD.keys())
def test_bad_input(text: str, line: int, column: int, words: str) -> None:
    with pytest.raises(FileMistakes) as caught:
        load((HEAD + text).encode(), "t.yaml", {"thing": THING})[1].raise_if_any()
    first = caught.value.mistakes[0]
    assert (first.place.line, first.place.column) == (line, column)
    assert words in str(first)


WHOLE = {
    "empty": (b"", "empty"),
    "a list": (b"- 1\n", "a list stands here"),
    "no kind": (b"format: 1\n", "'kind' is missing"),
    "other kind": (b"format: 1\nkind: thin\n", "did you mean 'thing'"),
    "other format": (HEAD.replace("1", "2", 1).encode(), "'2' is not a word"),
    "latin-1": (HEAD.encode() + b"colour: r\xe9d\n", "not UTF-8"),
    "utf-16": (HEAD.encode("utf-16"), "not UTF-8"),
    "huge": (b"#" * (LARGEST_FILE + 1), "bytes, expected at most"),
    "nul": (b"a: \x00", "not readable"),
    "deep": (b"[" * 500, "not readable|nested too deeply"),
    "deep but closed": (b"[" * 100 + b"]" * 100, "nested too deeply"),
    "alias bomb": (b"a: &a [1,1,1,1,1,1,1,1,1,1]\n" + b"".join(
        b"%c: &%c [%s]\n" % (c + 1, c + 1, b",".join([b"*%c" % c] * 10)) for c in range(97, 105)), "once aliases"),
    "unclosed": (b"a: [1", "not readable"),
}


@pytest.mark.parametrize(("source", "words"), WHOLE.values(), ids=WHOLE.keys())
def test_bad_files(source: bytes, words: str) -> None:
    with pytest.raises(FileMistakes, match=words):
        load(source, "t.yaml", {"thing": THING})[1].raise_if_any()


def test_all_mistakes_in_one_go() -> None:
    with pytest.raises(FileMistakes) as caught:
        load(b"format: 1\nkind: thing\nnam: x\nvolts: 5 A\nsure: maybe\n", "t.yaml", {"thing": THING})[1].raise_if_any()
    assert [m.place.line for m in caught.value.mistakes] == [1, 3, 4, 5]


def test_values_and_their_places() -> None:
    item, findings = load((HEAD + "sure: yes\nparts: [a, b]\n").encode(), "t.yaml", {"thing": THING})
    findings.raise_if_any()
    assert (item["sure"], item["count"], tuple(item["parts"])) == (True, 1, ("a", "b"))
    assert str(item["volts"]) == "230 V"
    assert str(item.place_of("volts")) == "t.yaml:4:8"
    assert str(item["parts"].places[1]) == "t.yaml:6:12"


AMOUNTS = {
    "no unit": ("230", "has no unit"),
    "another dimension": ("230 A", "is in A"),
    "zero": ("0 V", "more than 0"),
    "too high": ("5 kV", "at most 1000"),
    "not finite": (".inf V", "not a number"),
    "nan": (".nan", "not a number"),
    "exponent": ("5e2 V", "not a number"),
    "comma": ("1,5 V", "not a number"),
    "near unit": ("230 v", "did you mean 'V'"),
    "underscore": ("1_0 V", "not a number"),
}


@pytest.mark.parametrize(("text", "words"), AMOUNTS.values(), ids=AMOUNTS.keys())
def test_bad_amounts(text: str, words: str) -> None:
    with pytest.raises(FileMistakes, match=words) as caught:
        load(HEAD.replace("230 V", text).encode(), "t.yaml", {"thing": THING})[1].raise_if_any()
    assert (caught.value.mistakes[0].place.line, caught.value.mistakes[0].place.column) == (4, 8)


@given(st.binary(max_size=300))
def test_no_bytes_raise_anything_but_file_mistakes(source: bytes) -> None:
    try:
        load(HEAD.encode() + source, "t.yaml", {"thing": THING})[1].raise_if_any()
    except FileMistakes as error:
        assert error.mistakes


@given(st.text(max_size=100))
def test_no_text_raises_anything_but_file_mistakes(text: str) -> None:
    try:
        item, findings = load((HEAD + "colour: " + text).encode("utf-8", "surrogatepass"), "t", {"thing": THING})
        findings.raise_if_any()
    except FileMistakes:
        return
    assert item["colour"] in ("red", "green")
