"""``eolseq challenge`` as a person makes it: reads, acknowledges, and types what is seen while the fan turns.

No simulated fan can be looked at, so the test's person says how the fan of each reference unit turns. Invented plant.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from eolseq.records.audit import audit
from eolseq.records.reader import Records
from tests.benches import demo_station
from tests.rig import ROOT

pytestmark = pytest.mark.real_lines

FAN = "Fan motor current"
TURNING = "    turning: {shown_by: operator, expected: clockwise, seen_from: inlet side, within: 8 s}\n"
REFERENCES = f"""  sequence: fan.yaml
  references:
    good: {{about: sound}}
    reversed: {{about: a fan that turns backwards, step: {FAN}, reading: direction}}

ceilings:"""
ASKED = r"type its number, Enter, within 8 s\. ([^\n]*)"


def files() -> None:
    """A station file in the working folder, whose challenge is the fan alone, with a question in it.

    As a product of class II, which may be tested in any order.
    """
    text = (ROOT / "sequences/duct-heater-6kw.yaml").read_text("utf-8")
    text = text[:text.index("  - kind:")] + text[text.index("  - kind: motor_current"):]
    text = text.replace("protection_class: I\n", "protection_class: II\n")
    Path("fan.yaml").write_text(text.replace(f"    name: {FAN}\n", f"    name: {FAN}\n{TURNING}"), "utf-8")
    station = demo_station()
    Path("station.yaml").write_text(re.sub(r"  sequence: .*?\nceilings:", REFERENCES, station, count=1, flags=re.S), "utf-8")


def challenge(seen: dict[str, str], operator: bytes = b"op-1\n") -> tuple[int, str]:
    """A challenge at a terminal: exit code and words; ``seen`` is by reference unit how its fan turns."""
    person, terminal = os.openpty()
    said, unit, done = "", "", 0

    def number(found: re.Match[str]) -> bytes:
        arrow = next(each for each in re.findall(r"(\d) \S ([a-z ]+)", found[1]) if each[1] == seen[unit])
        return f"{arrow[0]}\n".encode()

    answers: dict[str, Callable[[re.Match[str]], bytes]] = {
        r"Connect the reference unit '([a-z]+)'": lambda found: b"",
        r"Type your operator id": lambda found: operator, ASKED: number}
    try:
        child = subprocess.Popen([sys.executable, "-m", "eolseq", "challenge", "--station", "station.yaml"],
                                 stdin=terminal, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, start_new_session=True)
        assert child.stdout is not None
        while piece := os.read(child.stdout.fileno(), 65536):
            said += piece.decode()
            for pattern, answer in answers.items():
                for found in re.compile(pattern).finditer(said, done):
                    if found.end() == len(said) and pattern == ASKED:
                        continue  # the line goes on
                    unit = found[1] if "reference unit" in pattern else unit
                    done = max(done, found.end())
                    os.write(person, answer(found))
        child.stdout.close()
        return child.wait(timeout=20), said
    finally:
        os.close(terminal)
        os.close(person)


def test_a_person_is_listened_to_and_what_they_see_decides(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    files()
    code, said = challenge({}, operator=b"\x04")
    assert code == 3 and "NOT CHALLENGED to the end" in said and "not acknowledged" in said, said
    code, said = challenge({"good": "clockwise", "reversed": "anticlockwise"})
    assert code == 0, said
    assert "CAUGHT  good" in said and "CAUGHT  reversed" in said and "DANGER: VOLTAGE MAY BE PRESENT" in said
    assert said.count("Type your operator id") == 2 and "take the reference unit out" in said
    shown = next(each.payload for each in Records.open(Path("records")).documents if each.kind == "challenge")
    assert shown["outcome"] == "pass" and [each["outcome"] for each in shown["shown"]] == ["caught", "caught"]
    assert not audit(Path("records")).findings
