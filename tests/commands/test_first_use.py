"""The lines of the manual's page on keys do what it says, and a person at a terminal is asked as it says."""

from __future__ import annotations

import os
import re
import select
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

from eolseq.records.approvals import Standing
from eolseq.records.audit import audit
from eolseq.records.reader import Records
from tests.commands.test_keys import with_passphrase
from tests.rig import ROOT

MANUAL = (ROOT / "eolseq/manual/keys.md").read_text("utf-8")


def lines(*heads: str) -> list[list[str]]:
    """The commands under these headings of the manual, as words."""
    found = []
    for head in heads:
        part = re.search(rf"^## {re.escape(head)}\n(.*?)(?=^## |\Z)", MANUAL, re.S | re.M)
        assert part is not None, head
        for block in re.findall(r"```sh\n(.*?)```", part[1], re.S):
            found += [shlex.split(line)[1:] for line in block.splitlines()]
    return found


def test_the_manuals_first_use_works_line_by_line(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """From nothing to signed files and an approved sequence, by the lines as they stand there, in its order."""
    monkeypatch.chdir(tmp_path)
    for name in ("sequences", "drivers", "simulators"):
        os.symlink(ROOT / name, tmp_path / name)
    done = 0
    for words in lines("First use, in two minutes", "Approving a sequence"):
        signs = "--key" in words or words[:2] == ["keys", "make"]
        yes = ["--yes"] if "--key" in words else []
        assert with_passphrase(*words, *yes, passphrase=b"a passphrase for the tests" if signs else None) == 0, words
        done += 1
    assert done == 8
    standing = Standing(Records.open(Path("records")).documents)
    assert [(each.of, each.file) for each in standing.approvals] == [
        ("station", "simulators/demo-station.yaml"), ("driver page", "drivers/wt-5.yaml"),
        ("sequence", "sequences/duct-heater-6kw.yaml")]
    assert audit(Path("records")).findings_count == 0


class Terminal:
    """A person at a terminal of their own: waits for words, and types."""

    def __init__(self, words: list[str], folder: Path) -> None:
        self.person, terminal = os.openpty()
        self.said = ""
        self.child = subprocess.Popen([sys.executable, "-m", "eolseq", *words], stdin=terminal, stdout=terminal,
                                      stderr=terminal, cwd=folder, start_new_session=True)
        os.close(terminal)

    def wait_for(self, words: str) -> None:
        """Read until these words stand there; an assertion after 20 s without any."""
        while words not in self.said:
            assert select.select([self.person], [], [], 20)[0], self.said
            self.said += os.read(self.person, 4096).decode()

    def types(self, text: str) -> None:
        """Type a line."""
        os.write(self.person, text.encode() + b"\n")

    def end(self) -> int:
        """The exit code, once all was read."""
        try:
            while select.select([self.person], [], [], 20)[0]:
                self.said += os.read(self.person, 4096).decode()
        except OSError:  # the other end is closed
            pass
        os.close(self.person)
        return self.child.wait(timeout=20)


MAKE = ["keys", "make", "keys/q-1.pem", "--role", "quality", "--holder", "q-1", "--scope", "aldervale.example"]
ENROL = ["keys", "enrol", "keys/q-1.pem.pub", "--station", "simulators/demo-station.yaml", "--key", "keys/q-1.pem",
         "--reason", "first key"]


@pytest.mark.real_lines
def test_a_person_is_asked_for_passphrases_and_before_anything_is_written(tmp_path: Path) -> None:
    make = Terminal(MAKE, tmp_path)
    make.wait_for("Passphrase for keys/q-1.pem: ")
    make.types("correct horse battery")
    make.wait_for("The same again: ")
    make.types("correct horse battery")
    assert make.end() == 0, make.said
    assert "correct horse" not in make.said  # nothing is echoed
    for answer, code in (("no", 3), ("", 3), ("yes", 0)):
        enrol = Terminal(ENROL, tmp_path)
        enrol.wait_for("Passphrase for keys/q-1.pem: ")
        enrol.types("correct horse battery")
        enrol.wait_for("Write this registry into the station's log? Type yes: ")
        assert "quality" in enrol.said and "q-1" in enrol.said
        enrol.types(answer)
        assert enrol.end() == code, enrol.said
        assert Records.open(tmp_path / "records").size == (2 if code == 0 else 1)


@pytest.mark.real_lines
def test_two_different_passphrases_make_no_key(tmp_path: Path) -> None:
    make = Terminal(MAKE, tmp_path)
    make.wait_for("Passphrase for")
    make.types("correct horse battery")
    make.wait_for("The same again: ")
    make.types("correct horse buttery")
    assert make.end() == 2 and "The two passphrases differ" in make.said
    assert not (tmp_path / "keys").exists()
