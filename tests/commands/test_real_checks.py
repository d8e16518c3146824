"""Checks, fixtures and talk by hand at a station that names no simulator, by a person with a key of maintenance.

The instruments are served by ``eolseq simulate`` in a process of its own. The plant is invented.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import pytest

from eolseq.records.approvals import Standing
from eolseq.records.audit import audit
from eolseq.records.reader import Records
from tests.commands.test_approve import approve
from tests.commands.test_keys import make, with_passphrase
from tests.commands.test_real_path import SERIAL, SIMULATED, Bench, at_addresses

pytestmark = pytest.mark.real_lines

WORDS, MAINTAINER, NOBODY = b"a passphrase for the tests\n", b"m-1\n", b"\x04"
REFERENCES = """  sequence: earth.yaml
  references:
    good: {about: sound}
    open-earth: {about: no earth screw, step: Earth path, says: no earth path}

ceilings:"""


def answered(words: list[str], terminal: int, reactions: Mapping[str, Callable[[], object]]) -> tuple[int, str]:
    """Python started with these words at a terminal: exit code and what was said; at each of some words, what is done."""
    child = subprocess.Popen([sys.executable, *words], stdin=terminal, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
                             start_new_session=True)  # so that the terminal is the person's, not the tests'
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


class Led(Bench):
    """The bay, and someone there who answers what is asked and does what is told."""

    def lead(self, *words: str, passphrase: bytes = WORDS, operator: bytes = MAINTAINER, typed: tuple[bytes, ...] = (),
             start: tuple[str, ...] = ("-m", "eolseq"), **more: Callable[[], object]) -> tuple[int, str]:
        """A command at the station: its exit code and its words.

        ``typed``: what goes in at the prompt, line by line, then its end; ``more``: what else is done at which words.
        """
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
            "talk> ": lambda: os.write(person, next(lines, b"\x04")),
            "Leave the fixture empty": lambda: self.order(fit="empty"),
            **more,
        }
        lines = iter(typed)
        try:
            return answered([*start, *words, "--station", "bench.yaml"], terminal, reactions)
        finally:
            os.close(terminal)
            os.close(person)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, request: pytest.FixtureRequest) -> Iterator[Led]:
    """A real station with its files approved, its people enrolled, and nothing checked yet.

    A parameter is added to the station file.
    """
    monkeypatch.chdir(tmp_path)
    text = re.sub(r"  sequence: .*?\nceilings:", REFERENCES, SIMULATED.read_text("utf-8"), count=1, flags=re.S)
    text = re.sub(r"reference_meters:.*?\n\n", "", text, count=1, flags=re.S)  # read by a person: test_typed_references.py
    with at_addresses(Led, text + getattr(request, "param", ""), "") as found:
        enrolled()
        yield found


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
    assert "Never verified on this station: " in words and "eolseq challenge" in words

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
    assert code == 3 and "ever verified on this station" not in words and "eolseq challenge" in words
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


# -- by hand ------------------------------------------------------------------------------------------------------

BY_HAND = ("talk", "power", "--energise", "--key", "keys/m-1.pem")
PREPARED = (b"SOUR:VOLT 120;:SOUR:FREQ 60;:SOUR:CURR:PROT 2\n", b"SOUR:LIST:VOLT 120;DWEL 4\n")
IMPATIENT = ("-c", "import sys, eolseq.engine.run as run; run.GUARD_WAIT = 0.5; from eolseq.__main__ import main; "
             "sys.exit(main(sys.argv[1:]))")  # the same program, that waits half a second for the guard


def test_by_hand_nothing_is_switched_on_without_a_sign_in_a_closed_guard_and_the_ceilings(bench: Led) -> None:
    refused = {
        # name: (words, reaction to "Close the guard", exit code, what is said)
        "nobody signed in": (("talk", "power", "--energise", "--send", "*CLS"), "both", 3, "Maintenance signs in"),
        "an engineer signed in": ((*BY_HAND[:3], "--key", "keys/e-1.pem", "--send", "*CLS"), "both", 3, "not one of maintenance"),
        "above a ceiling": ((*BY_HAND, "--send", "*CLS", "SOUR:CURR:PROT 31"), "both", 3, "ceiling of 30 A"),
        "the guard stays open": (BY_HAND, "", 3, "The guard was not closed within"),
    }
    for name, (words, close, expected, said) in refused.items():
        start = ("-m", "eolseq") if close else IMPATIENT
        guard: dict[str, Callable[[], object]] = {} if close else {"Close the guard": lambda: None}
        code, shown = bench.lead(*words, start=start, typed=(*PREPARED, b"OUTP ON\n"), **guard)
        assert code == expected and said in shown, (name, code, shown)
        assert not {"energise", "begin"} & set(kinds()), name
        assert "talk>" not in shown and "OUTP ON" not in shown, "nothing was sent"


def test_by_hand_a_source_goes_off_when_the_guard_opens(bench: Led) -> None:
    """On for two seconds if nothing happens; the guard is opened once the source was looked at a few times."""
    looks: list[str] = []

    def look() -> None:
        looks.append("look")
        if len(looks) == 5:
            bench.order(open="both")

    code, words = bench.lead(*BY_HAND, typed=(b"SOUR:CURR:PROT 31\n", *PREPARED, b"OUTP ON\n", b"*IDN?\n"),
                             **{"power -> MEAS:VOLT?": look})
    assert len(looks) >= 5 and code == 4, words
    assert "NOT SENT. " in words and "ceiling of 30 A" in words
    said = [each.payload["reason"] for each in Records.open(Path("records")).entries() if each.payload["kind"] == "remark"]
    assert said[0].startswith("talk begins, m-1 of maintenance signed in with key ") and "SOUR:VOLT 120" in said[1]
    after = words.split("power -> OUTP ON")[1]
    assert "power -> OUTP OFF" in after and "guard was opened" in after, words
    assert "Off, and dead. Seen" not in after and "power -> *IDN?" not in after, "it was cut short, and nothing is sent after it"
    assert kinds()[-1] == "end" and "energise" in kinds() and Records.open(Path("records")).runs()[-1].outcome == "stopped"
    code, words = bench.lead("talk", "power", "--send", "OUTP?")
    assert code == 0 and "power <- 0 " in words, words
    assert not audit(Path("records")).findings_count


# -- fixtures -----------------------------------------------------------------------------------------------------

NEST = """
fixtures:
  nest-6:
    fits: [DH-6]
    inspect_every: 90
    baseline: {voltage: 1230 V, at_least: 10 uA, at_most: 60 uA, earth_current: 0.5 A, good_for: 7}
checks: {verification: {every: never}, challenge: {every: day}}
"""


@pytest.mark.parametrize("bench", [NEST], indirect=True)
def test_on_a_real_station_a_fixture_counts_by_what_maintenance_signed_and_is_challenged_after_it(bench: Led) -> None:
    inspect = ("fixture", "inspect", "nest-6", "--by", "mt-01", "--found", "contacts renewed", "--key")
    code, words = bench.lead(*inspect, "keys/e-1.pem")
    assert code == 3 and "not one of maintenance" in words, words
    code, words = bench.lead(*inspect, "keys/m-1.pem")
    assert code == 0, words
    code, words = bench.lead("fixture", "baseline", "nest-6", "--key", "keys/m-1.pem")
    assert code == 0 and "take the unit out" not in words, words
    records = Records.open(Path("records"))
    signed = Standing(records.documents).fixtures
    assert [(each.payload["what"], each.index in signed) for each in records.documents if each.kind == "fixture"] == [
        ("inspected", True), ("baseline", True)]

    bench.order(fit="unit")
    code, words = bench.lead("challenge", operator=b"op-1\n")
    assert code == 0, words
    bench.order(load={"serial": SERIAL, "defect": None})
    assert bench.run()[0] == 0
    assert bench.lead(*inspect, "keys/m-1.pem")[0] == 0
    code, said, words = bench.run()
    assert (code, said["outcome"]) == (3, "refused") and "inspected or mended" in words
    assert not audit(Path("records")).findings_count
