"""The list of commands, which is shown without importing any of them."""

from __future__ import annotations

import importlib
import subprocess
import sys

import pytest

from eolseq.__main__ import COMMANDS, main, parser_for
from tests.safety.real import ROOT


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_says_what_the_command_says(name: str) -> None:
    module = importlib.import_module(f"eolseq.commands.{name}")
    assert name == module.NAME
    assert COMMANDS[name] == module.HELP.splitlines()[0]


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_by_itself_says_what_it_says_among_all(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    said = []
    for read in (main, parser_for([importlib.import_module(f"eolseq.commands.{name}")]).parse_args):
        for words in ([name, "--help"], [name, "--nonsense"]):
            with pytest.raises(SystemExit) as ended:
                read(words)
            said.append((ended.value.code, *capsys.readouterr()))
    assert said[0] == said[2] and said[0][0] == 0 and said[0][1].startswith(f"usage: eolseq {name} ")
    assert said[1][0] == said[3][0] == 2


def test_a_process_ends_with_the_code_of_its_command() -> None:
    for words, code in ((["check", "sequences/duct-heater-6kw.yaml"], 0), (["check", "nowhere.yaml"], 2)):
        done = subprocess.run([sys.executable, "-m", "eolseq", *words], cwd=ROOT, capture_output=True, text=True,
                              timeout=60, check=False)
        assert done.returncode == code, done.stderr
        assert words[1] in done.stdout and not done.stderr


def test_the_list_is_shown_without_the_commands() -> None:
    done = subprocess.run([sys.executable, "-X", "importtime", "-m", "eolseq", "--help"], cwd=ROOT, capture_output=True,
                          text=True, timeout=60, check=False)
    assert done.returncode == 0
    assert all(f"\n    {name}" in done.stdout for name in COMMANDS)
    assert "eolseq.errors" in done.stderr and "eolseq.commands." not in done.stderr and "pyvisa" not in done.stderr


def test_an_unknown_command_is_wrong_use(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["nonsense"])
    assert ended.value.code == 2
    assert "run" in capsys.readouterr().err
