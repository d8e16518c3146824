"""What the tests of labels share: a log with one run, a printer in memory, and Debian's zbarimg to read codes back."""

from __future__ import annotations

import dataclasses
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from eolseq.commands.labelling import Paper
from eolseq.commands.printing import PrintFailed
from eolseq.records import entries
from eolseq.records.log import Log
from eolseq.sequence.load import load_sequence
from eolseq.station.file import load_station
from eolseq.station.label_fields import LabelRules
from tests.records.samples import begin, end, open_log, whole_run

needs_readers = pytest.mark.skipif(any(shutil.which(each) is None for each in ("zbarimg", "pdftotext")),
                                   reason="needs zbarimg of zbar-tools and pdftotext of poppler-utils")
ROOT = Path(__file__).resolve().parent.parent.parent
SEQUENCE = load_sequence(ROOT / "sequences/duct-heater-6kw.yaml")
STATION = load_station(ROOT / "simulators/demo-station.yaml")
SERIAL = "DH6-00000001"


class MemoryPrinter:
    """Takes everything, or fails as it is told; ``seen`` is called at the very moment of printing."""

    name = "memory"

    def __init__(self, failure: BaseException | None = None, seen: Callable[[], None] | None = None) -> None:
        self.failure = failure
        self.seen = seen
        self.printed: list[tuple[str, bytes]] = []

    def print(self, name: str, pdf: bytes, text: str = "") -> str:
        if self.seen is not None:
            self.seen()
        if self.failure is not None:
            raise self.failure
        self.printed.append((name, pdf))
        return f"job {len(self.printed)}"

    def ready(self) -> str:
        return "the paper is out" if isinstance(self.failure, PrintFailed) else ""


def paper(printer: Any) -> Paper:
    """The demo station's paper with a printer of ours."""
    return Paper(STATION, LabelRules(folder="unused"), printer)


def log_with(folder: Path, outcome: str = "pass", *, trial: str = "no", serial: str = SERIAL) -> Log:
    """A log with one run of an outcome; ``abandoned`` and ``open`` are such outcomes too."""
    log = open_log(folder)
    if outcome in ("abandoned", "open"):
        run = log.append(begin(log, serial))
        if outcome == "abandoned":
            log.append(entries.Abandon(run=run, serial=serial, reason="The program ended.", energised="no"))
    elif trial == "yes":
        run = log.append(dataclasses.replace(begin(log, serial), trial="yes"))
        log.append(dataclasses.replace(end(log, run, serial, outcome), trial="yes"))
    else:
        whole_run(log, serial, outcome)
    log.checkpoint()
    return log


def scanned(picture: bytes) -> set[str]:
    """Every code that zbarimg finds in a PNG file, with its kind: ``QR-Code:...`` or ``CODE-128:...``."""
    done = subprocess.run(["zbarimg", "-q", "-"], input=picture, capture_output=True, timeout=60, check=False)
    return set(done.stdout.decode().splitlines())


def words_in(pdf: bytes) -> str:
    """The words of a PDF file, by pdftotext."""
    return subprocess.run(["pdftotext", "-layout", "-", "-"], input=pdf, capture_output=True, timeout=60,
                          check=True).stdout.decode()
