"""Arrows between rooms point down only, and what must start fast imports nothing heavy."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

LOOK = """
import sys
from eolseq.__main__ import main
try:
    code = main(sys.argv[1:])
except SystemExit as ended:
    code = ended.code
found = sorted({name.partition(".")[0] for name in sys.modules} & {"pyvisa", "pyvisa_py", "serial", "rich", "transitions"})
print(code, *found, file=sys.stderr)
"""


def test_the_contracts_between_rooms_hold() -> None:
    words = [sys.executable, "-c", "from importlinter.cli import lint_imports_command; lint_imports_command()", "--no-cache"]
    done = subprocess.run(words, cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


@pytest.mark.parametrize("words", [
    ["--help"],
    ["check", "sequences/duct-heater-6kw.yaml"],
    ["check", "sequences/duct-heater-6kw.yaml", "--station", "simulators/demo-station.yaml"],
    ["check", "simulators/demo-simulator.yaml", "simulators/demo-station.yaml", "drivers/wt-5.yaml"],
    ["manual", "start"],
], ids=" ".join)
def test_what_must_start_fast_imports_nothing_heavy(words: list[str]) -> None:
    done = subprocess.run([sys.executable, "-c", LOOK, *words], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.stderr.split() == ["0"], done.stderr
    assert done.stdout
