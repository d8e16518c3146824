"""Verification and challenge of a station that names no simulator, by a person at a terminal with a key of maintenance.

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

from eolseq.records.approvals import Standing
from eolseq.records.audit import audit
from eolseq.records.reader import Records
from tests.commands.test_approve import EARTH, approve
from tests.commands.test_keys import make, with_passphrase
from tests.commands.test_real_path import SERIAL, Bench
from tests.rig import ROOT

pytestmark = pytest.mark.real_lines

WORDS, MAINTAINER, NOBODY = b"a passphrase for the tests\n", b"m-1\n", b"\x04"
REFERENCES = """  sequence: earth.yaml
  references:
    good: {about: sound}
    open-earth: {about: no earth screw, step: Earth path, says: no earth path}

ceilings:"""


class Led(Bench):
    """The bay, and someone there who answers what is asked and does what is told."""

    def lead(self, *words: str, passphrase: bytes = WORDS, operator: bytes = MAINTAINER) -> tuple[int, str]:
        """A command at the station: its exit code and its words."""
        self.order(open="both")
        person, terminal = os.openpty()
        reactions: dict[str, Callable[[], object]] = {
            "Passphrase for": lambda: os.write(person, passphrase),
            "Type your operator id": lambda: os.write(person, operator),
            "Close the guard": lambda: self.order(close="both"),
            "Open contact a of the guard": lambda: self.order(open="contact_a"),
            "Open contact b of the guard": lambda: self.order(open="contact_b"),
            "unit 'good'": lambda: self.order(load={"serial": SERIAL, "defect": None}),
            "unit 'open-earth'": lambda: self.order(load={"serial": SERIAL, "defect": "no-earth-screw"}),
        }
        try:
            child = subprocess.Popen([sys.executable, "-m", "eolseq", *words, "--station", "bench.yaml"],
                                     stdin=terminal, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                                     start_new_session=True)  # so that the terminal is the person's, not the tests'
            assert child.stdout is not None
            said = b""
            done = 0
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


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Led]:
    """A real station with its files approved, its people enrolled, and nothing checked yet."""
    monkeypatch.chdir(tmp_path)
    shutil.copytree(ROOT / "drivers", "drivers")
    Path("earth.yaml").write_text(EARTH, "utf-8")
    simulated = ROOT / "simulators/demo-station.yaml"
    text = re.sub(r"  sequence: .*?\nceilings:", REFERENCES, simulated.read_text("utf-8"), count=1, flags=re.S)
    text = re.sub(r"reference_meters:.*?\n\n", "", text, count=1, flags=re.S)  # read by a person: test_typed_references.py
    child = subprocess.Popen([sys.executable, "-m", "eolseq", "simulate", str(simulated), "--unit", SERIAL, "--lifeline"],
                             stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=ROOT)
    assert child.stdin is not None and child.stdout is not None
    for _ in range(len(re.findall("page:", text))):
        name, address = child.stdout.readline().decode().split()
        text = re.sub(rf"(\n  {name}: +{{page: [^,]+,)", rf'\1 address: "{address}",', text)
    Path("bench.yaml").write_text(text.replace("simulated: simulators/demo-simulator.yaml\n", ""), "utf-8")
    found = Led(child)
    found.order(closes_by_itself=False)
    enrolled()
    yield found
    child.stdin.close()
    child.wait(timeout=20)
    child.stdout.close()


def enrolled() -> None:
    """Keys, approvals and one person who may test."""
    names = ("q-1", "e-1", "e-2", "m-1")
    signed = ("--station", "bench.yaml", "--key", "keys/q-1.pem", "--yes", "--reason", "first set-up")
    make(*names)
    assert with_passphrase("keys", "enrol", *(f"keys/{name}.pem.pub" for name in names), *signed) == 0
    files = ["bench.yaml", *sorted(str(path) for path in Path("drivers").glob("*.yaml"))]
    assert approve(*files, "--out", "half", "--reason", "first set-up", by="m-1") == 0
    assert approve("--document", *map(str, Path("half").iterdir()), by="e-1") == 0
    assert approve("earth.yaml", "--author", "e-2", "--reason", "first issue", by="e-1") == 0
    assert with_passphrase("people", "allow", "op-1", "--sequence", "Earth path only", "--until", "2099-12-31", *signed) == 0


def kinds() -> list[str]:
    """What stands in the log, in order."""
    records = Records.open(Path("records"))
    return [str(records.entry(index).payload["kind"]) for index in range(records.size)]


def test_a_real_station_is_verified_and_challenged_and_then_tests_a_unit(bench: Led) -> None:
    code, said, words = bench.run()
    assert (code, said["outcome"]) == (3, "refused")
    assert "was never verified" in words and "eolseq challenge" in words

    code, words = bench.lead("verify", "--all", "--key", "keys/m-1.pem")
    assert code == 0, words
    assert words.index("Passphrase for") < words.index("Type your operator id") < words.index("Open contact a")
    assert "DANGER" in words and "connect the known loads" in words and "connect the unit" not in words
    records = Records.open(Path("records"))
    verified = [each for each in records.documents if each.kind == "verification"]
    assert len(verified) == 9 and all(each.payload["outcome"] == "pass" for each in verified), words
    assert all(each.payload["document"] for each in verified), "signed by maintenance"
    assert Standing(records.documents).registry.keys  # every document holds, or this would have raised

    code, said, words = bench.run()
    assert code == 3 and "was never verified" not in words and "eolseq challenge" in words
    code, words = bench.lead("challenge", operator=b"op-1\n")
    assert code == 0, words
    assert "CAUGHT  good" in words and "CAUGHT  open-earth" in words

    bench.order(load={"serial": SERIAL, "defect": None})
    code, said, words = bench.run()
    assert (code, said["outcome"], said["trial"]) == (0, "pass", False), words
    assert not audit(Path("records")).findings_count


def test_refused_verifications_conclude_nothing(bench: Led) -> None:
    refused = {
        # name: (key, passphrase, operator, words)
        "wrong role": ("e-1", WORDS, MAINTAINER, "is not one of maintenance that holds on this station"),
        "wrong passphrase": ("m-1", b"another passphrase\n", MAINTAINER, "passphrase is wrong"),
        "no passphrase": ("m-1", NOBODY, MAINTAINER, "No passphrase was given"),
        "cautions not acknowledged": ("m-1", WORDS, NOBODY, "NOT VERIFIED"),
    }
    before = kinds()
    for name, (key, passphrase, operator, said) in refused.items():
        code, words = bench.lead("verify", "--all", "--key", f"keys/{key}.pem", passphrase=passphrase, operator=operator)
        assert code in (2, 3) and said in words, (name, code, words)
        assert not {"verification", "lock"} & set(kinds()), name
        assert "Passphrase for" in words and (operator == NOBODY or "Type your operator id" not in words)
    code, words = bench.lead("challenge", operator=NOBODY)
    assert code == 3 and "NOT CHALLENGED to the end" in words, words
    assert not {"verification", "challenge", "lock", "run"} & (set(kinds()) - set(before))
    assert bench.run()[0] == 3
