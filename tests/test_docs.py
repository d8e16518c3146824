"""The README, the developers' page and the manual say what the program does: keys, commands, exit codes, examples."""

from __future__ import annotations

import ast
import importlib
import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from eolseq.__main__ import COMMANDS, EXIT_CODES, main, parser_for
from eolseq.commands import manual
from eolseq.commands.run import EXITS
from eolseq.instruments.page import PAGE, load_page
from eolseq.instruments.register_page import REGISTER_PAGE, load_register_page
from eolseq.instruments.roles import ROLES
from eolseq.line.template import LABEL
from eolseq.records import entries
from eolseq.screen.words import RUN_WORDS
from eolseq.sequence.load import SEQUENCE, load_sequence
from eolseq.shape import Amount, Field, Group, ListOf, MapOf, OneOf, Word, YesNo, kind_of
from eolseq.simulation.fields import SIMULATOR
from eolseq.simulation.file import load_simulator
from eolseq.station.file import STATION, load_station
from eolseq.steps import STEP_KINDS

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PAGES = {topic: manual.topic_text(topic) for topic in manual.TOPICS}
TEXTS = {"README.md": README, "DEVELOPERS.md": DEVELOPERS,
         "CHANGELOG.md": (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), **PAGES}

COMMON_TO_STEPS = ("kind", "name", "band", "spread", "connections", "look_at")


def fenced(text: str, language: str) -> list[str]:
    """The fenced blocks of a language, without the indentation they have in a list."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^ *```$", text, re.S | re.M)
    return ["\n".join(line.removeprefix(indent) for line in block.splitlines()) + "\n" for indent, block in found]


def sections(text: str) -> dict[str, str]:
    """The parts of a page under each second heading, by the heading without its backticks."""
    parts = re.split(r"^## (.*)$", text, flags=re.M)
    return {head.strip("` "): body for head, body in zip(parts[1::2], parts[2::2], strict=True)}


def rows(text: str) -> dict[str, list[str]]:
    """The rows of a page's tables whose first cell is a key in backticks, by that key."""
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        cells = [cell.strip() for cell in line.strip("| ").split("|")] if line.startswith("| `") else []
        keys = re.fullmatch(r"`([^`]+)`", cells[0]) if cells else None
        if keys is not None:
            assert keys[1] not in found, f"{keys[1]} is described twice"
            found[keys[1]] = cells
    return found


def walk(kind: Any, before: str = "") -> Iterator[tuple[str, Field]]:
    """Every key below a group as a path, with its field; lists and names chosen by the writer add nothing to it."""
    while isinstance(kind, ListOf | MapOf):
        kind = kind.of
    if isinstance(kind, OneOf) and kind.default:  # the other ways to work a band out have a page of their own
        kind = kind.groups[kind.default]
    groups = kind.groups.values() if isinstance(kind, OneOf) else [kind] if isinstance(kind, Group) else []
    for group in groups:
        for key, each in group.fields.items():
            yield before + key, each
            yield from walk(each.of, f"{before}{key}.")


def describes(cells: list[str], field: Field, path: str) -> None:
    """A row says whether the key is needed, its unit or its words, and what it is for."""
    assert len(cells) == 4 and cells[3], f"{path}: key, value, needed, for"
    assert cells[2] == ("yes" if field.required else "no"), f"{path}: needed is {cells[2]}"
    kind = field.of
    if isinstance(kind, Amount) and kind.dimension:
        assert re.search(rf"(^|\W){re.escape(kind.dimension)}(\W|$)", cells[1]), f"{path}: its unit is {kind.dimension}"
    if isinstance(kind, Word) and path not in ("kind", "role", "instruments.role"):
        assert all(word in cells[1] for word in kind.choices), f"{path}: its words are {kind.choices}"
    if isinstance(kind, YesNo):
        assert cells[1] == "yes or no", f"{path}: it is yes or no"


@pytest.mark.parametrize(("topic", "group"), [("driver-pages", PAGE), ("register-pages", REGISTER_PAGE), ("stations", STATION), ("simulators", SIMULATOR), ("labels", LABEL)])
def test_every_key_of_a_file_is_in_the_manual_and_no_other(topic: str, group: Group) -> None:
    described = rows(sections(PAGES[topic])["Keys"])
    known = dict(walk(group))
    assert {"format", "kind", *known} == set(described)
    for path, field in known.items():
        describes(described[path], field, path)


def test_every_key_of_a_sequence_is_in_the_manual_and_no_other() -> None:
    described = rows(sections(PAGES["sequences"])["The sequence"])
    known = {"steps": SEQUENCE.fields["steps"]}
    known |= {path: each for path, each in walk(SEQUENCE) if not path.startswith("steps.")}
    assert {"format", "kind", *known} == set(described)
    for path, field in known.items():
        describes(described[path], field, path)


def general(path: str) -> str:
    """The path under which a key that every step has is described."""
    return re.sub(r"^applied\.[a-z]+\.", "applied.NAME.", path)


@pytest.mark.parametrize("kind", STEP_KINDS)
def test_every_key_of_every_kind_of_step_is_in_the_manual_and_no_other(kind: str) -> None:
    parts = sections(PAGES["sequences"])
    own, common = rows(parts[kind]), rows(parts["Every step"])
    expected = set()
    for path, field in walk(STEP_KINDS[kind].fields):
        shared = path.split(".")[0] in COMMON_TO_STEPS or (path.startswith("residual.")) or general(path) != path
        if not shared:
            expected.add(path)
            describes(own[path], field, path)
        elif path.split(".")[0] in ("band", "spread") or general(path) != path:
            assert common[general(path)][2] == ("yes" if field.required else "no"), path
        else:
            describes(common[path], field, path)
    assert expected == set(own)


def test_no_key_that_every_step_has_is_invented() -> None:
    known = {general(path) for kind in STEP_KINDS.values() for path, _ in walk(kind.fields)}
    described = rows(sections(PAGES["sequences"])["Every step"])
    assert described and set(described) <= known


@pytest.mark.parametrize("role", ROLES)
def test_the_manual_names_everything_of_a_role(role: str) -> None:
    cells = rows(sections(PAGES["driver-pages"])["Roles"])[role]
    known = ROLES[role]
    names = [*known.takes, *known.gives, *known.flags]
    assert [name for name in names if f"`{name}`" not in " ".join(cells[1:4])] == []
    units = [unit for unit in (*known.takes.values(), *known.gives.values()) if isinstance(unit, str) and unit]
    assert [unit for unit in units if unit not in " ".join(cells[1:3])] == []
    assert cells[4] == ", ".join(known.does)


def codes(text: str) -> dict[int, str]:
    """The exit codes of a table."""
    return {int(code): words for code, words in re.findall(r"^\| ([0-9]) \| (.*) \|$", text, re.M)}


def test_exit_codes_agree_everywhere() -> None:
    told = {int(code): words for code, words in re.findall(r"^ +([0-9])  (.*)$", EXIT_CODES, re.M)}
    assert sorted(told) == [0, 1, 2, 3, 4, 5]
    assert codes(sections(README)["Exit codes"]) == told
    assert codes(PAGES["exit-codes"]) == told


@pytest.mark.parametrize("command", COMMANDS)
def test_every_help_text_has_the_exit_codes_and_every_option(command: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([command, "--help"])
    shown = capsys.readouterr().out
    assert ended.value.code == 0
    assert EXIT_CODES in shown
    assert f"`eolseq {command}`" in PAGES["start"]


def test_outcomes_of_a_run_in_the_manual() -> None:
    found = re.findall(r"^\| (\w+) \| ([0-9]) \| ([A-Z, ]+) \| .+ \|$", PAGES["exit-codes"], re.M)
    assert {outcome: int(code) for outcome, code, _ in found} == EXITS
    words = {str(outcome): word for outcome, word in RUN_WORDS.items()}
    assert all(words[outcome] == word for outcome, _, word in found)
    assert all(f"| {word} |" in PAGES["technician"] for _, _, word in found)


def commands_of(text: str) -> list[str]:
    """Every line that starts eolseq in the shell blocks of a text."""
    lines = [line for block in fenced(text, "sh") for line in block.splitlines()]
    return [found[0] for line in lines if (found := re.search(r"(?:^|&& )eolseq .*", line))]


COMMAND_LINES = sorted({line.removeprefix("&& ") for text in TEXTS.values() for line in commands_of(text)})


def test_there_are_commands_to_check() -> None:
    assert len(COMMAND_LINES) >= 10
    assert any("--acknowledge demo" in line for line in commands_of(README))


@pytest.mark.parametrize("line", COMMAND_LINES)
def test_every_command_in_the_texts_is_understood_and_its_files_are_there(line: str) -> None:
    parser = parser_for([importlib.import_module(f"eolseq.commands.{name}") for name in COMMANDS])
    words = shlex.split(line)
    options = parser.parse_args(words[1:])
    assert options.command in COMMANDS
    for word in words:
        if word.endswith(".yaml"):
            assert (ROOT / word).is_file(), word


@pytest.mark.parametrize("head", ["Run it", "Test it"])
def test_the_readme_has_one_line_to_run_and_one_to_test(head: str) -> None:
    blocks = fenced(sections(README)[head], "sh")
    assert len(blocks) == 1
    line = blocks[0].strip()
    assert "\n" not in line and line.startswith("python3 -m venv .venv && . .venv/bin/activate && pip install ")


def examples() -> list[tuple[str, str]]:
    """Every YAML example that claims to be a whole file, with the text it stands in."""
    return [(name, block) for name, text in TEXTS.items() for block in fenced(text, "ya?ml")
            if re.search(r"^format: 1$", block, re.M)]


def test_there_are_examples_to_check() -> None:
    assert {name for name, _ in examples()} >= {"sequences", "driver-pages", "stations"}


@pytest.mark.parametrize(("name", "source"), examples())
def test_every_whole_example_is_in_order(name: str, source: str, tmp_path: Path) -> None:
    path = tmp_path / f"{name}.yaml"
    path.write_text(source, encoding="utf-8")
    loaders: dict[str, Any] = {"sequence": load_sequence, "driver page": load_page, "register page": load_register_page, "station": load_station,
                               "simulator": load_simulator}
    loaders[kind_of(path)](path)
    assert main(["check", str(path)]) == 0


@pytest.mark.parametrize("name", TEXTS)
def test_every_test_that_a_text_names_is_there(name: str) -> None:
    for file, test in re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", TEXTS[name]):
        tree = ast.parse((ROOT / file).read_text(encoding="utf-8"))
        assert test in [node.name for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)], f"{file}::{test}"


def test_every_promise_of_the_record_names_a_test() -> None:
    promises = re.findall(r"^- (.*?)(?=^- |\Z)", sections(README)["What the record promises"], re.S | re.M)
    assert len(promises) >= 5
    assert all("tests/" in promise and "::test_" in promise for promise in promises)


@pytest.mark.parametrize("name", TEXTS)
def test_every_file_that_a_text_names_is_there(name: str) -> None:
    named = re.findall(r"[`(]((?:eolseq|tests|sequences|drivers|simulators)/[\w./-]*\w)[`)]", TEXTS[name])
    assert [path for path in named if not (ROOT / path).exists() and path != "eolseq/shipped_data"] == []


def test_topics_and_pages_are_the_same() -> None:
    assert {path.stem for path in manual.FOLDER.glob("*.md")} == set(manual.TOPICS)
    assert all(text.startswith("# ") and text.endswith("\n") for text in PAGES.values())


def test_the_manual_lists_and_shows_its_topics(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["manual"]) == 0
    listed = capsys.readouterr().out
    assert all(topic in listed for topic in manual.TOPICS)
    assert main(["manual", "safety"]) == 0
    assert capsys.readouterr().out == PAGES["safety"]


def test_a_topic_that_is_not_there_names_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["manual", "record"]) == 2
    assert "Did you mean 'records'?" in capsys.readouterr().err


@pytest.mark.parametrize("topic", manual.TOPICS)
def test_a_page_on_a_terminal_has_no_colour_and_every_key(topic: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("TERM", "xterm-256color")
    import io

    from eolseq.screen.page import WIDEST, show_page

    class Terminal(io.StringIO):
        """A stream that says it is a terminal."""

        def isatty(self) -> bool:
            return True

    stream = Terminal()
    show_page(PAGES[topic], stream)
    drawn = stream.getvalue()
    codes_used = {code for codes in re.findall(r"\x1b\[([0-9;]*)m", drawn) for code in codes.split(";")}
    assert codes_used <= {"", *(str(code) for code in range(30))}, "30 and up are colours"
    bare = re.sub(r"\x1b\[[0-9;]*m", "", drawn)
    assert max(len(line) for line in bare.splitlines()) <= WIDEST
    for heading in re.findall(r"^#+ (.*)$", PAGES[topic], re.M):
        assert heading.strip("`") in bare
    for line in PAGES[topic].splitlines():
        key = re.match(r"\| `([^`]+)` \|", line)
        assert key is None or key[1] in bare, f"{key[1]} is cut"


def test_every_kind_of_entry_is_in_the_manual() -> None:
    known = {each.kind for each in vars(entries).values()
             if isinstance(each, type) and isinstance(getattr(each, "kind", None), str)}
    part = sections(PAGES["records"])["What a line is"]
    later = re.search(r"^Kept for a later version: `(\w+)`\.$", part, re.M)
    assert later is not None
    assert {"genesis", "begin", "energise", "reading", "end"} < known <= {*rows(part), later[1]} == entries.KINDS
