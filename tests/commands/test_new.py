"""``eolseq new``: every starting file passes check as it is, says what each key is for, and overwrites nothing."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import yaml

from eolseq.__main__ import main
from eolseq.commands.kinds import KINDS, fields_of
from eolseq.commands.new import start_of
from eolseq.commands.starting import WIDEST, starting_text
from eolseq.instruments.page import load_page
from eolseq.instruments.roles import ROLES
from eolseq.sequence.findings import ERROR, findings
from eolseq.sequence.load import load_sequence
from eolseq.shape import Amount, Field, Group, ListOf, MapOf, OneOf, Text, load
from eolseq.station.file import load_station
from eolseq.steps import STEP_KINDS

STARTS = [(kind, None) for kind in KINDS] + [("page", role) for role in ROLES]


@pytest.mark.parametrize(("kind", "role"), STARTS)
def test_a_starting_file_passes_check(kind: str, role: str | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                      capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["new", kind, "my-own", *(["--role", role] if role else [])]) == 0
    assert "my-own.yaml is written" in capsys.readouterr().out
    assert main(["check", "my-own.yaml"]) == 0
    assert f"my-own.yaml, a {KINDS[kind]}: in order" in capsys.readouterr().out
    assert main(["new", kind, "my-own"]) == 2, "nothing is overwritten"
    assert "there already" in capsys.readouterr().err


def said(kind: Any, values: Any, seen: set[int]) -> Iterator[str]:
    """What is to be said of the keys of each group where it first stands among the values."""
    if isinstance(kind, ListOf | MapOf):
        for each in values.values() if isinstance(values, dict) else values:
            yield from said(kind.of, each, seen)
    elif isinstance(kind, OneOf):
        yield from said(kind.groups[values.get(kind.key, kind.default)], values, seen)
    elif isinstance(kind, Group):
        first = id(kind.fields) not in seen
        seen.add(id(kind.fields))
        for name, field in kind.fields.items():
            if first:
                yield f"{name}: {field.about}"
            if name in values:
                yield from said(field.of, values[name], seen)


@pytest.mark.parametrize(("kind", "role"), STARTS)
def test_every_key_is_explained_in_the_words_of_the_table_of_fields(kind: str, role: str | None) -> None:
    text = start_of(kind, Path("my-own.yaml"), role)
    remarks = " ".join(re.sub(r"\s+", " ", line.split("# ", 1)[1]) for line in text.splitlines() if "# " in line)
    values = yaml.load(text, Loader=yaml.BaseLoader)
    wanted = list(said(fields_of(kind), values, set()))
    assert len(wanted) >= (11 if kind == "label" else 15)
    for each in wanted:
        name, about = each.split(": ", 1)
        assert re.search(rf"(^|[ #-]){re.escape(name)}:", text, re.M), name
        assert re.sub(r"\s+", " ", about) in remarks, each
    assert max(map(len, text.splitlines())) <= 200 and sum(len(line) > WIDEST for line in text.splitlines()) < 6


def test_a_starting_sequence_has_every_kind_of_step_and_nothing_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "my-own.yaml"
    path.write_text(start_of("sequence", path), encoding="utf-8")
    sequence = load_sequence(path)
    assert {step.kind for step in sequence.steps} == set(STEP_KINDS)
    assert sequence.name == "my-own"
    assert [each for each in findings(sequence) if each.severity == ERROR] == []


def test_a_starting_page_fills_its_role_completely(tmp_path: Path) -> None:
    for role, known in ROLES.items():
        path = tmp_path / f"{role}.yaml"
        path.write_text(start_of("page", Path("OWN-1.yaml"), role), encoding="utf-8")
        page = load_page(path)
        assert (page.role, page.model, set(page.does)) == (role, "OWN-1", set(known.does))


def test_a_starting_station_is_a_real_one_with_every_role(tmp_path: Path) -> None:
    path = tmp_path / "my-own.yaml"
    path.write_text(start_of("station", path), encoding="utf-8")
    station = load_station(path)
    assert not station.simulated
    assert {load_page(Path(each.page)).role for each in station.instruments} == set(ROLES)
    assert all(each.address for each in station.instruments)


# words -> what is said
REFUSED = {
    "a name that is none": (["sequence", "my own"], "is no name for a file"),
    "a name too long": (["sequence", "a" * 20], "is no name for a file"),
    "a folder that is not there": (["station", "nowhere/bench"], "cannot be written"),
    "a role that is none": (["page", "x-1", "--role", "resistance_metre"], "Did you mean 'resistance_meter'?"),
    "a role where there is none": (["station", "bench", "--role", "guard_unit"], "plays no role"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_refused(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                         capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.chdir(tmp_path)
    words, said_of_it = REFUSED[name]
    assert main(["new", *words]) == 2
    assert said_of_it in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_an_unknown_kind_lists_the_kinds(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["new", "recipe", "x"])
    assert ended.value.code == 2
    shown = capsys.readouterr().err
    assert all(kind in shown for kind in KINDS)


@pytest.mark.parametrize("text", ["no", "null", "~", "1:30", "a: b", "a # b", "- a", "[a]", "{a}", '"a"', "ä", "a\tb", " a", "a ",
                                  "010", "5e-3", "*a", "&a", "!a", "%a", "@a", "a,b", "#a", "?", "'", "a'b", "DH6-[0-9]{8}"])
def test_every_text_comes_back_as_it_was_written(text: str) -> None:
    group = Group({"one": Field(Text(200)), "list": Field(ListOf(Text(200)))})
    made = starting_text("head", "x", group, {"one": text, "list": [text, "b"]})
    item, found = load(made.encode(), "x", {"x": group})
    assert not found.mistakes
    assert (item["one"], tuple(item["list"])) == (text, (text, "b"))


def test_a_long_remark_stands_above_its_key() -> None:
    group = Group({"one": Field(Text(200), about="word " * 30 + "end"), "two": Field(Amount("V"), False, about="volts")})
    lines = starting_text("head", "x", group, {"one": "a"}).splitlines()
    assert lines[-2:] == ["one: a", "# two: 1480 V  # volts"]
    assert all(len(line) <= WIDEST for line in lines)
