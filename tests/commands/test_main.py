"""The list of commands, which is shown without importing any of them."""

from __future__ import annotations

import importlib
import subprocess
import sys

import pytest

from eolseq.__main__ import COMMANDS, main
from tests.safety.real import ROOT


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_says_what_the_command_says(name: str) -> None:
    module = importlib.import_module(f"eolseq.commands.{name}")
    assert name == module.NAME
    assert COMMANDS[name] == module.HELP.splitlines()[0]


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
