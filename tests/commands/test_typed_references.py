"""Reference meters at a station that names no simulator: a person presses hold keys, pumps, and types what they show.

The instruments are served by ``eolseq simulate`` in a process of its own. The plant is invented.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from eolseq.records.reader import Records
from tests.commands.test_approve import EARTH
from tests.commands.test_real_checks import MAINTAINER, WORDS, enrolled
from tests.commands.test_real_path import SERIAL, Bench
from tests.rig import ROOT

pytestmark = pytest.mark.real_lines

SHORT = {"runs: 4 s, run_down: 1.5 s": "runs: 2 s, run_down: 1 s", "at: [5 bar, 10 bar]": "at: [5 bar]"}


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """A real station with reference meters, its files approved and its people enrolled."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(ROOT / "drivers", "drivers")
    Path("earth.yaml").write_text(EARTH, "utf-8")
    simulated = ROOT / "simulators/demo-station.yaml"
    text = re.sub(r"\nchallenges:.*?\nceilings:", "\nceilings:", simulated.read_text("utf-8"), count=1, flags=re.S)
    for right, short in SHORT.items():
        assert right in text
        text = text.replace(right, short)
    child = subprocess.Popen([sys.executable, "-m", "eolseq", "simulate", str(simulated), "--unit", SERIAL, "--lifeline"],
                             stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT)
    assert child.stdin is not None and child.stdout is not None
    for _ in range(len(re.findall("page:", text))):
        name, address = child.stdout.readline().decode().split()
        text = re.sub(rf"(\n  {name}: +{{page: [^,]+,)", rf'\1 address: "{address}",', text)
    Path("bench.yaml").write_text(text.replace("simulated: simulators/demo-simulator.yaml\n", ""), "utf-8")
    found = Bench(child)
    found.order(closes_by_itself=False)
    enrolled()
    yield found
    child.stdin.close()
    child.wait(timeout=20)
    child.stdout.close()


def verify(bench: Bench, instrument: str, typed: dict[str, str]) -> tuple[int, str]:
    """Verify an instrument: exit code and words. ``typed``: by the question's words, what is typed at it each time."""
    bench.order(open="both")
    person, terminal = os.openpty()

    def types(line: str) -> Callable[[], object]:
        return lambda: os.write(person, line.encode() + b"\n")

    reactions: dict[str, Callable[[], object]] = {
        "Passphrase for": lambda: os.write(person, WORDS), "Type your operator id": lambda: os.write(person, MAINTAINER),
        "Close the guard": lambda: bench.order(close="both"), "Type 1, Enter": types("1"),
        "Take the known loads off": lambda: bench.order(place="manometer"),
        "Leave the hand pump open": lambda: bench.order(pump=0), "Pump to about 5 bar": lambda: bench.order(pump=500000),
        "Let the pressure off": lambda: bench.order(pump="off"),
        **{question: types(answer) for question, answer in typed.items()}}
    try:
        child = subprocess.Popen([sys.executable, "-m", "eolseq", "verify", instrument, "--station", "bench.yaml", "--key",
                                  "keys/m-1.pem"], stdin=terminal, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                                 start_new_session=True)
        assert child.stdout is not None
        said, done = b"", 0
        known = re.compile("|".join(map(re.escape, reactions)).encode())
        while piece := os.read(child.stdout.fileno(), 65536):
            said += piece
            for found in known.finditer(said, done):
                reactions[found[0].decode()]()
                done = found.end()
        child.stdout.close()
        return child.wait(timeout=20), said.decode()
    finally:
        os.close(terminal)
        os.close(person)


def test_a_person_types_what_manometer_and_pressure_standard_show(bench: Bench) -> None:
    code, words = verify(bench, "airflow", {"What manometer holds": "62.0"})
    assert code == 0, words
    asked = words.index("What manometer holds, in Pa: type it, Enter.")
    assert words.index("Hold key of manometer ready? The fan runs for 2 s. Type 1, Enter.") < asked
    assert words.rindex("RED ON", 0, asked) < words.rindex("GREEN ON", 0, asked), "it is off before anybody is asked"
    assert "connect the good reference unit" in words and "connect the known loads" not in words

    code, words = verify(bench, "gauge", {"What standard shows": "5.08"})  # 1.6 % more than there is
    assert code == 1 and "DO NOW: Let the pressure off" in words, words
    assert "Keep clear" not in words, "no test is running while a gauge is pumped up"
    code, words = verify(bench, "gauge", {"What standard shows": "5.0003"})
    assert code == 0, words
    records = Records.open(Path("records"))
    signed = [each.payload for each in records.documents if each.kind == "verification"]
    assert [(each["instrument"]["name"], each["outcome"]) for each in signed] == [
        ("airflow", "pass"), ("gauge", "fail"), ("gauge", "pass")]
    assert all(each["document"] for each in signed), "signed by maintenance"
