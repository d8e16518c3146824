"""Where paper goes: a print queue, by the system's ``lp``, or a folder. A failure is told, never retried in silence."""

from __future__ import annotations

import os
import subprocess
from contextlib import suppress
from pathlib import Path
from typing import Protocol
from urllib.parse import quote

from eolseq.station.label_fields import LabelRules

LP_WITHIN = 10.0  # seconds for lp to take a job; it only puts it into the queue
_LONGEST_WORDS = 200


class PrintFailed(Exception):
    """The printer did not take it, or did not say so: whether there is paper now, nobody knows."""


class Printer(Protocol):
    """Something that takes a PDF file."""

    name: str

    def print(self, name: str, pdf: bytes, text: str = "") -> str:
        """Give the PDF file away under a name; what the printer said. PrintFailed when that is not sure.

        ``text`` says the same in plain letters, for whoever keeps files.
        """

    def ready(self) -> str:
        """Why nothing could be printed now, as a sentence; empty when nothing speaks against it."""


class Queue:
    """A print queue of the system, reached by ``lp``."""

    def __init__(self, queue: str) -> None:
        self.name = f"queue {queue}"
        self._queue = queue

    def print(self, name: str, pdf: bytes, text: str = "") -> str:
        """Hand the file to ``lp`` on its standard input; the job as ``lp`` names it.

        A queue that is paused takes jobs and prints none, so it is looked at again: such a label may come out later.
        """
        said = self._spoken(["lp", "-d", self._queue, "-t", name, "-"], pdf)
        why = self.ready()
        if why:
            raise PrintFailed(f"{said}, but {why}")
        return said

    def ready(self) -> str:
        """Whether the queue is known, takes jobs and passes them on, as ``lpstat`` says."""
        try:
            said = self._spoken(["lpstat", "-a", self._queue, "-p", self._queue], b"")
        except PrintFailed as error:
            return f"{self.name} does not answer: {error}"
        stands = " not accepting " in said or f"printer {self._queue} disabled " in said
        return f"{self.name} takes no jobs now: {said}" if stands else ""

    def _spoken(self, words: list[str], data: bytes) -> str:
        try:
            done = subprocess.run(words, input=data, capture_output=True, timeout=LP_WITHIN, check=False,
                                  env={**os.environ, "LC_ALL": "C"})
        except FileNotFoundError as error:
            raise PrintFailed(f"this computer has no program {words[0]}") from error
        except subprocess.TimeoutExpired as error:
            raise PrintFailed(f"{words[0]} did not answer within {LP_WITHIN:.0f} s") from error
        except OSError as error:
            raise PrintFailed(f"{words[0]} cannot be started: {error.strerror}") from error
        said = " ".join((done.stdout + b" " + done.stderr).decode("utf-8", "replace").split())[:_LONGEST_WORDS]
        if done.returncode != 0:
            raise PrintFailed(f"{words[0]} says: {said.rstrip('.') or f'exit code {done.returncode}'}")
        return said


ROOM = 1 << 20
"""Bytes that must be free where labels are written, before a unit is tested; a label takes about a tenth of it."""


class Folder:
    """A folder that takes each label as PDF and, with ``pictures``, as PNG, a ticket as text too, under its own name.

    Nothing is written over.
    """

    def __init__(self, folder: Path, *, pictures: bool = True) -> None:
        self.name = f"folder {folder}"
        self._folder, self._pictures = folder, pictures

    def print(self, name: str, pdf: bytes, text: str = "") -> str:
        """Write the files, durable; the first one's name."""
        from eolseq.line.paper import picture

        files = {"pdf": pdf, **({"png": picture(pdf)} if self._pictures else {}),
                 **({"txt": text.encode()} if text else {})}
        stem = self._folder / quote(name, safe=" ")
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            for kind, data in files.items():
                _write(stem.with_name(f"{stem.name}.{kind}"), data)
            _settle(self._folder)
        except OSError as error:
            raise PrintFailed(f"{error.filename or self._folder}: {error.strerror or error}") from error
        return f"wrote {stem}.pdf"

    def ready(self) -> str:
        """Whether files can be written there, as far as that shows without writing one."""
        there = self._folder
        while not there.exists() and there != there.parent:
            there = there.parent
        if not (there.is_dir() and os.access(there, os.W_OK | os.X_OK)):
            return f"{self.name} cannot be written to"
        disk = os.statvfs(there)
        return "" if disk.f_bavail * disk.f_frsize >= ROOM else f"the disk of {self.name} is full"


def printer_of(rules: LabelRules) -> Printer:
    """The printer that a station file names."""
    return Queue(rules.printer) if rules.printer else Folder(Path(rules.folder))


def _write(path: Path, data: bytes) -> None:
    """A new file, whole and durable, or none."""
    with path.open("xb") as stream:
        try:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        except BaseException:
            with suppress(OSError):
                path.unlink()
            raise


def _settle(folder: Path) -> None:
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
