"""The shift as a process of its own: a scanner on a pipe, on a terminal and on a serial port; ends of every kind."""

from __future__ import annotations

import os
import pty
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest

from eolseq.clock import SystemClock
from eolseq.commands.shift import _defects, run, sequences_of
from eolseq.commands.shift_input import read_scanner
from eolseq.errors import EolseqError, Refused, WrongUse
from eolseq.instruments.scanner import Scanner
from eolseq.line.scans import Inbox, Scan
from eolseq.records.reader import Records
from eolseq.station.file import load_station

ROOT = Path(__file__).resolve().parents[2]
LINE_STATION = ROOT / "simulators/line-station.yaml"
UNIT = "DH6-00000001"
WITHIN = 30.0  # s; many times of what it takes on an idle computer


def without_checks(folder: Path) -> Path:
    """The line bench without checks, so that a unit can be tested at once."""
    text = LINE_STATION.read_text(encoding="utf-8")
    head, _, tail = text.partition("checks:\n")
    path = folder / "station.yaml"
    path.write_text(head + tail[tail.index("known_loads:"):], encoding="utf-8")
    return path


class Bay:
    """A shift that runs as a process, with what it wrote so far."""

    def __init__(self, folder: Path, *more: str, terminal: bool = False) -> None:
        self.folder, self.said = folder, ""
        for name in ("sequences", "drivers", "simulators"):
            if not (folder / name).exists():
                (folder / name).symlink_to(ROOT / name)
        words = [sys.executable, "-m", "eolseq", "shift", "--station", str(without_checks(folder)), *more]
        self.master = -1
        if terminal:
            pid, self.master = pty.fork()
            if pid == 0:
                os.chdir(folder)
                os.environ["TERM"] = "xterm"
                os.execv(sys.executable, words)
            self.pid = pid
            return
        self.process = subprocess.Popen([*words, "--plain"], cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE,
                                        stderr=subprocess.STDOUT, bufsize=0)
        self.pid = self.process.pid

    def scan(self, *lines: str) -> None:
        """What a scanner sends."""
        data = "".join(f"{line}\n" for line in lines).encode()
        if self.master >= 0:
            os.write(self.master, data)
        elif self.process.stdin is not None:
            self.process.stdin.write(data)

    def wait_for(self, words: str) -> None:
        """Read until these words were said."""
        ends = time.monotonic() + WITHIN
        while words not in self.said:
            assert time.monotonic() < ends, f"never said {words!r}, but:\n{self.said[-3000:]}"
            assert self._read(1.0) or self._alive(), f"ended before it said {words!r}:\n{self.said[-3000:]}"

    def sign_in(self) -> None:
        """Sign in by the keyboard: id twice, and twice below the cautions."""
        self.wait_for("SIGN IN" if self.master < 0 else "Scan your badge")
        self.scan("=op-07", "=op-07", "=op-07", "=op-07")

    def until_live(self) -> None:
        """Sign in and test a unit, until voltage may be present."""
        self.sign_in()
        self.scan(f"PLATE DH-6 {UNIT}")
        self.wait_for("VOLTAGE MAY BE PRESENT")

    def ended(self) -> int:
        """Wait for the end; the exit code."""
        while self._read(WITHIN):
            pass
        return self.process.wait(WITHIN)

    def log(self) -> list[dict[str, Any]]:
        """The payloads of the log."""
        return [each.payload for each in Records.open(self.folder / "line-records").entries()]

    def _read(self, seconds: float) -> bool:
        source = self.master if self.master >= 0 else self.process.stdout
        if not select.select([source], [], [], seconds)[0]:
            return False
        try:
            data = os.read(source if isinstance(source, int) else source.fileno(), 65536)  # type: ignore[union-attr]
        except OSError:
            return False
        self.said += data.decode("utf-8", "replace")
        return bool(data)

    def _alive(self) -> bool:
        try:
            return os.waitpid(self.pid, os.WNOHANG)[0] == 0 if self.master >= 0 else self.process.poll() is None
        except ChildProcessError:
            return False


@pytest.fixture
def bays(tmp_path: Path) -> Iterator[Any]:
    """Starts shifts in one folder, and ends them."""
    started: list[Bay] = []

    def start(*more: str, terminal: bool = False) -> Bay:
        started.append(Bay(tmp_path, *more, terminal=terminal))
        return started[-1]

    yield start
    for each in started:
        if each.master >= 0:
            if each._alive():
                os.kill(each.pid, signal.SIGKILL)
                os.waitpid(each.pid, 0)
            continue
        each.process.kill()
        each.process.wait()
        for stream in (each.process.stdin, each.process.stdout):
            if stream is not None:
                stream.close()


@pytest.mark.real_lines
def test_the_end_of_input_ends_the_shift(bays: Any) -> None:
    bay = bays()
    bay.sign_in()
    bay.wait_for("SCAN UNIT")
    bay.process.stdin.close()
    assert bay.ended() == 0
    assert bay.log()[-1]["reason"] == "The input ended."
    assert "Review of the last shift" in bay.said


@pytest.mark.real_lines
def test_killed_in_the_middle_and_started_again(bays: Any) -> None:
    bay = bays()
    bay.until_live()
    os.kill(bay.pid, signal.SIGKILL)
    assert bay.ended() == -signal.SIGKILL
    kept = len(bay.log())
    again = bays()
    again.wait_for("SIGN IN")
    begins, first = again.said.splitlines()[:2]
    assert begins == "SIMULATED shift at Aldervale line bench, bay-1"
    assert first.startswith("SIMULATED POWER CUT. VOLTAGE MAY HAVE BEEN ON: keep out")
    assert f"Unit {UNIT} was under test in bay-1" in first
    assert "the bay was proved dead" in again.said.partition("SIGN IN")[0]
    again.scan("=end")
    assert again.ended() == 0
    kinds = [each["kind"] for each in again.log()]
    assert kinds[kept:] == ["abandon", "remark", "shift", "shift"]
    (owed,) = (bay.folder / "line-reviews").iterdir()
    assert sha256(owed.read_bytes()).hexdigest() in again.log()[kept + 1]["reason"]
    assert again.said.count("PAGE: The page of the shift before: wrote") == 1
    assert next(each for each in again.log() if each["kind"] == "abandon")["energised"] == "yes"


@pytest.mark.real_lines
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_makes_safe_first_and_ends_the_shift(number: signal.Signals, bays: Any) -> None:
    bay = bays()
    bay.until_live()
    os.kill(bay.pid, number)
    assert bay.ended() == 4
    end, shift, page = bay.log()[-3:]
    assert (end["kind"], end["outcome"]) == ("end", "stopped")
    assert (shift["kind"], shift["event"], shift["others"]) == ("shift", "end", 1)
    assert shift["reason"].startswith("Ended by ")
    assert page["reason"].startswith("Page of this shift")
    (written,) = (bay.folder / "line-reviews").iterdir()
    assert sha256(written.read_bytes()).hexdigest() in page["reason"]
    assert "The page of this shift: wrote" in bay.said


@pytest.mark.real_lines
def test_no_key_stops_a_test_and_a_closed_terminal_makes_safe(bays: Any) -> None:
    bay = bays(terminal=True)
    bay.sign_in()
    bay.scan(f"PLATE DH-6 {UNIT}")
    bay.wait_for("VOLTAGE MAY BE PRESENT")
    os.write(bay.master, b"\x03\x1a\x13\n")
    bay.wait_for("has no effect")
    assert bay._alive()
    os.close(bay.master)
    assert os.waitstatus_to_exitcode(os.waitpid(bay.pid, 0)[1]) in (0, 4)
    end, shift, page = bay.log()[-3:]
    assert (end["kind"], end["outcome"]) == ("end", "stopped")
    assert shift["reason"] in ("Ended by a closed terminal.", "The input ended.")
    assert page["reason"].startswith("Page of this shift")


@pytest.mark.real_lines
def test_a_scanner_on_a_serial_port_that_goes_and_comes_back() -> None:
    master, slave = pty.openpty()
    clock, said = SystemClock(), list[Scan]()
    inbox = Inbox(clock, said.append)
    scanner = Scanner(os.ttyname(slave), 9600)
    task = clock.start("scanner", lambda: read_scanner(scanner, inbox, clock))
    found = None
    for _ in range(int(WITHIN)):  # what was sent before the port was opened is thrown away
        os.write(master, b"DH6-00000001\r\n")
        found = inbox.take(1.0)
        if found is not None:
            break
    assert found == Scan("DH6-00000001")
    os.close(master)
    gone = inbox.take(WITHIN)
    assert gone is not None
    assert gone.problem.startswith("The scanner at ")
    inbox.ended = "over"
    assert task.join(WITHIN)
    os.close(slave)


def options(**given: Any) -> Any:
    """The options of the command."""
    values = {"station": LINE_STATION, "silent": True, "plain": True, "defect": [], "trace": None} | given
    return type("Options", (), values)()


WRONG: dict[str, tuple[dict[str, Any], type[EolseqError], str]] = {
    "a station without a shift": ({"station": ROOT / "simulators/demo-station.yaml"}, WrongUse, "has no 'shift'"),
    "an unknown defect": ({"defect": ["DH6-00000001=no-such"]}, WrongUse, "no-such"),
    "a defect without its serial": ({"defect": ["poor-bond"]}, WrongUse, "SERIAL=NAME"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_use_is_told_before_anything_is_opened(name: str) -> None:
    given, error, words = WRONG[name]
    with pytest.raises(error, match=words):
        run(options(**given))


def test_a_real_station_gets_no_defects(tmp_path: Path) -> None:
    station = load_station(LINE_STATION)
    real = type("Real", (), {"simulated": "", "name": station.name})()
    with pytest.raises(Refused, match="is real"):
        _defects(options(defect=["DH6-00000001=poor-bond"]), real)
    assert len(sequences_of(station)) == 3
