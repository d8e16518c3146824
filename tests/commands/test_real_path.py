"""A station that names no simulator goes the real way, gates and all, even if its instruments say they are simulated.

The instruments are served by ``eolseq simulate`` in a process of its own; the person at the terminal is a
pseudo-terminal. The plant is invented.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TypeVar

import pytest

from eolseq.records.reader import Records
from eolseq.simulation.server import MARK
from tests.benches import patient
from tests.commands.test_approve import EARTH, approve
from tests.commands.test_keys import make, with_passphrase
from tests.rig import ROOT

pytestmark = pytest.mark.real_lines

SERIAL = "DH6-00000001"
SIMULATED = ROOT / "simulators/demo-station.yaml"
Place = TypeVar("Place", bound="Bench")


class Bench:
    """The simulated instruments' process, and the person at the bay."""

    def __init__(self, child: subprocess.Popen[bytes]) -> None:
        self.child = child
        self._orders = 0

    def order(self, **order: object) -> None:
        """Do something to the simulated bay, and wait until it is done: what a test types may come sooner else."""
        from eolseq.commands.wiring import control

        assert self.child.stdin is not None and self.child.stdout is not None
        self._orders += 1
        control(self.child.stdin, {**order, MARK: self._orders})
        for line in self.child.stdout:
            said = json.loads(line)
            assert "not understood" not in said, said
            if said.get("carried out") == self._orders:
                return
        raise AssertionError("the simulated bay ended")

    def run(self, *more: str) -> tuple[int, dict[str, object], str]:
        """``eolseq run`` with a person who acknowledges and closes the guard: exit code, document and words."""
        self.order(open="both")
        person, terminal = os.openpty()
        words = [sys.executable, "-m", "eolseq", "run", "earth.yaml", "--unit", SERIAL, "--station", "bench.yaml", "--json"]
        try:
            os.write(person, b"op-1\n")
            done = subprocess.Popen([*words, *more], stdin=terminal, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
            assert done.stdout is not None and done.stderr is not None
            said = ""
            for line in done.stderr:
                said += line
                if "DO NOW: Close the guard" in line:
                    self.order(close="both")
            found = done.stdout.read()
            done.stdout.close()
            done.stderr.close()
            code = done.wait(timeout=20)
        finally:
            os.close(terminal)
            os.close(person)
        return code, json.loads(found), said


@contextmanager
def at_addresses(kind: type[Place], text: str, instead: str) -> Iterator[Place]:
    """The simulated instruments, and bench.yaml: this station file with their addresses, naming no simulator.

    ``instead`` stands where the simulator was named. The folder gets the driver pages and a sequence too.
    """
    shutil.copytree(ROOT / "drivers", "drivers")
    Path("earth.yaml").write_text(EARTH, "utf-8")
    child = subprocess.Popen([sys.executable, "-m", "eolseq", "simulate", str(SIMULATED), "--unit", SERIAL, "--lifeline"],
                             stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT)
    assert child.stdin is not None and child.stdout is not None
    for _ in range(len(re.findall("page:", text))):
        name, address = child.stdout.readline().decode().split()
        text = re.sub(rf"(\n  {name}: +{{page: [^,]+,)", rf'\1 address: "{address}",', text)
    Path("bench.yaml").write_text(patient(text).replace("simulated: simulators/demo-simulator.yaml\n", instead), "utf-8")
    found = kind(child)
    found.order(closes_by_itself=False)
    yield found
    child.stdin.close()
    child.wait(timeout=20)
    child.stdout.close()


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    """A folder with a station file that has addresses, and the simulated instruments behind them."""
    monkeypatch.chdir(tmp_path)
    never = "checks: {verification: {every: never}, challenge: {every: never}}\n"  # tests/verification has the others
    with at_addresses(Bench, SIMULATED.read_text("utf-8"), never) as found:
        yield found


def test_a_real_station_is_refused_tried_and_approved(bench: Bench) -> None:
    code, said, words = bench.run()
    assert (code, said["outcome"], said["index"]) == (3, "refused", None), words
    assert "The station file of Aldervale demo bench (bench.yaml) is not approved" in words

    make("q-1", "e-1", "e-2", "m-1")
    assert with_passphrase("keys", "enrol", *(f"keys/{name}.pem.pub" for name in ("q-1", "e-1", "e-2", "m-1")),
                           "--station", "bench.yaml", "--key", "keys/q-1.pem", "--reason", "first keys", "--yes") == 0
    files = ["bench.yaml", *sorted(str(path) for path in Path("drivers").glob("*.yaml"))]
    assert approve(*files, "--out", "half", "--reason", "first set-up", by="m-1") == 0
    assert approve("--document", *map(str, Path("half").iterdir()), by="e-1") == 0

    code, said, words = bench.run("--trial")
    assert code == 3 and "Nobody is on this station's list of people who may test. See quality" in words
    allowed = ("people", "allow", "op-1", "--sequence", "Earth path only", "--until", "2099-12-31")
    assert with_passphrase(*allowed, "--reason", "trained", "--station", "bench.yaml", "--key", "keys/q-1.pem", "--yes") == 0

    code, said, words = bench.run()
    assert code == 3 and "'Earth path only' (earth.yaml) is not approved on this station. See the engineer" in words
    assert "TRIAL" not in words and said["trial"] is False  # it is refused, and nobody asked for a trial
    code, said, words = bench.run("--trial")
    assert (code, said["outcome"], said["trial"]) == (1, "pass", True), words
    assert "TRIAL: releases nothing" in words and "TRIAL, RELEASES NOTHING: PASS" in words

    assert approve("earth.yaml", "--author", "e-2", "--reason", "first issue", by="e-1") == 0
    approval = Records.open(Path("records")).documents[-1].index
    code, said, words = bench.run()
    assert (code, said["outcome"], said["trial"], said["attempt"]) == (0, "pass", False, 2), words
    records = Records.open(Path("records"))
    assert not records.simulated
    runs = [(each.trial, each.mode, each.outcome) for each in records.runs(SERIAL)]
    assert runs == [("yes", "simulated", "pass"), ("no", "simulated", "pass")]
    assert records.entry(records.runs(SERIAL)[-1].index).payload["approval"] == approval

    Path("earth.yaml").write_text(EARTH.replace("0.1 ohm", "0.2 ohm"), "utf-8")
    code, said, words = bench.run()
    assert code == 3 and "earth.yaml:20: is not as it was approved" in words
