"""``eolseq audit``: check every line of a log."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.errors import WrongUse
from eolseq.quantity import counted

if TYPE_CHECKING:
    from eolseq.records.audit import AuditReport, Finding, Progress

NAME = "audit"
HELP = "check every signature, index and root of a log"
_LONG = 4 << 20  # bytes of a log that take more than a second or two


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the log to audit and the form of the answer."""
    parser.add_argument("log", metavar="LOG", type=Path, help="a log file (log.jsonl), or the records folder it is in")
    parser.add_argument("--from", dest="since", metavar="CHECKPOINT", type=Path,
                        help="a checkpoint of this log that you kept: what it vouches for is only hashed")
    parser.add_argument("--jobs", metavar="N", type=_jobs, default=1, help="check with so many processes (default 1)")
    parser.add_argument("--json", action="store_true", help="print one JSON document; words go to standard error")
    parser.add_argument("--bundle", metavar=("SERIAL", "FILE"), nargs=2,
                        help="if the log is in order, write the records of one unit to a zip file, with proofs")


def run(options: argparse.Namespace) -> int:
    """Audit the log; 0 when it is in order, 1 when there is a finding."""
    from eolseq.records.audit import audit

    since = None if options.since is None else _earlier(options.since)
    with _progress(options.log) as progress:
        report = audit(options.log, since=since, jobs=options.jobs, progress=progress)
    if options.json:
        print(json.dumps(_document(report), indent=2))
    words = sys.stderr if options.json else sys.stdout
    for line in _words(report):
        print(_visible(line), file=words)
    if options.bundle is not None:
        print(_visible(_bundle(options, bool(report.findings_count))), file=words)
    return 1 if report.findings_count else 0


def _jobs(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 64:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number of processes from 1 to 64")
    return int(text)


def _earlier(path: Path) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(1 << 20)
    except OSError as error:
        raise WrongUse(f"The checkpoint {path} cannot be read: {error.strerror}.",
                       "Name a checkpoint file that you kept, or leave --from out.") from error


@contextmanager
def _progress(log: Path) -> Iterator[Progress | None]:
    """A bar on standard error while a long log is read, in a terminal only."""
    try:
        size = (log / "log.jsonl" if log.is_dir() else log).stat().st_size
    except OSError:
        size = 0
    if size < _LONG or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

    columns = (TextColumn("checking"), BarColumn(), TaskProgressColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True, auto_refresh=False) as bar:
        task = bar.add_task("", total=size)

        def told(done: int) -> None:
            bar.update(task, completed=done, refresh=True)

        yield told


def _bundle(options: argparse.Namespace, doubtful: bool) -> str:
    """Write a customer's bundle, unless the log is in doubt; what was done."""
    if doubtful:
        return "No bundle was written: the log is not in order."
    from eolseq.errors import WrongUse
    from eolseq.records.bundle import write_bundle
    from eolseq.records.reader import Records
    from eolseq.records.scan import LOG_NAME

    log, (serial, file) = options.log, options.bundle
    if log.is_file() and log.name != LOG_NAME:
        raise WrongUse(f"A bundle is made from a log named {LOG_NAME}, with its checkpoint beside it.",
                       "Name the records folder, or a copy of it.")
    indices = write_bundle(Records.open(log if log.is_dir() else log.parent), serial, Path(file))
    return f"wrote {file}: {len(indices)} entries on unit {serial}, each with its proof"


def _words(report: AuditReport) -> list[str]:
    said = [f"log {report.log}", f"origin {report.origin or 'unknown'}, signed as {report.role or 'unknown'}"]
    said += [_sentence("note", each) for each in report.notes]
    said += [_sentence("FINDING", each) for each in report.findings]
    for what, count, kept in (("notes", report.notes_count, report.notes),
                              ("findings", report.findings_count, report.findings)):
        if count > len(kept):
            said.append(f"and {count - len(kept)} more {what}")
    outcomes = ", ".join(f"{count} {name}" for name, count in sorted(report.outcomes.items())) or "none"
    trusted = f", {report.trusted} before them vouched for by the checkpoint given" if report.trusted else ""
    said.append(f"{report.lines} lines, {report.verified} verified{trusted}; runs ended: {outcomes}")
    if report.findings_count:
        said.append(f"NOT IN ORDER: {counted(report.findings_count, 'finding')}. Keep a copy of the folder as it is, "
                    "and show it to quality.")
    else:
        said.append("IN ORDER: every line is signed by the station and stands where it was written.")
    return said


def _sentence(word: str, finding: Finding) -> str:
    where = f"line {finding.line}" if finding.line else "beside the log"
    entry = "" if finding.index is None else f" (entry {finding.index})"
    return f"{word}: {where}{entry}: {finding.name}. {finding.meaning}"


def _document(report: AuditReport) -> dict[str, Any]:
    return {
        "log": report.log, "in_order": report.findings_count == 0, "origin": report.origin, "role": report.role,
        "keyid": report.keyid, "lines": report.lines, "verified": report.verified, "trusted": report.trusted,
        "root": report.root,
        "checkpoint": report.checkpoint_size, "kinds": dict(report.kinds), "outcomes": dict(report.outcomes),
        "findings_count": report.findings_count, "findings": [_plain(each) for each in report.findings],
        "notes_count": report.notes_count, "notes": [_plain(each) for each in report.notes],
    }


def _plain(finding: Finding) -> dict[str, Any]:
    return {"line": finding.line, "index": finding.index, "name": finding.name, "meaning": finding.meaning}


def _visible(text: str) -> str:
    """The text with whatever is not printable ASCII written as an escape, since a log may hold anything."""
    return "".join(sign if " " <= sign <= "~" else ascii(sign)[1:-1] for sign in text)
