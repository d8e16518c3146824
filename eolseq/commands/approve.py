"""``eolseq approve``: sign a sequence, driver pages or a station file, so that a real station uses them."""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping, Sized
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands import signing
from eolseq.errors import WrongUse

if TYPE_CHECKING:
    from eolseq.records.approvals import Standing
    from eolseq.records.documents import Document
    from eolseq.records.log import Log
    from eolseq.sequence.approval import Subject

NAME = "approve"
HELP = """sign a sequence, driver pages or a station file

A sequence is approved by an engineer who is not its author. Driver pages and the station file are signed by
maintenance and countersigned by an engineer. Old and new limits are printed side by side before anything is signed."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what is approved, by whom, and where it is carried."""
    parser.add_argument("files", metavar="FILE", nargs="*", type=Path, help="a sequence, driver page or station file")
    parser.add_argument("--document", metavar="FILE", nargs="+", type=Path, default=[],
                        help="documents made before: with --key add a signature, then carry those that are whole")
    signing.place_arguments(parser)
    signing.signing_arguments(parser)
    parser.add_argument("--author", metavar="ID", help="who wrote the sequence; somebody else than who signs")
    parser.add_argument("--reason", metavar="TEXT", help="why; stands in the record for ever")
    parser.add_argument("--effective", metavar="DAY", type=_day, help="the first day it holds (else: today)")
    parser.add_argument("--out", metavar="FOLDER", type=Path, help="write the documents here and carry nothing")


def _day(text: str) -> date:
    return date.fromisoformat(text)


def run(options: argparse.Namespace) -> int:
    """Sign and carry; 0."""
    if bool(options.files) == bool(options.document):
        raise WrongUse("Name the files to approve, or documents with --document.", "One of the two is needed.")
    if options.files and options.key is None:
        raise WrongUse("Who signs?", "Give --key.")
    station = signing.station_of(options)
    if station is None:
        if options.out is None:
            raise WrongUse("A copy of the records cannot carry anything.",
                           "Give --out, and take the documents to the station: eolseq approve --document FILE.")
        standing = signing.standing_in(options.records)
        with signing.refusing():
            _write(options, _documents(options, standing, 1 << 62))
        return 0
    from eolseq.records.approvals import Standing

    with signing.open_log(station) as log:
        standing = Standing(log.documents)
        with signing.refusing():
            documents = _documents(options, standing, log.size)
            if options.out is not None:
                _write(options, documents)
            else:
                _carry(options, log, standing, documents)
    return 0


# -- making documents -------------------------------------------------------------------------------------------


def _documents(options: argparse.Namespace, standing: Standing, index: int) -> list[Document]:
    """The documents, shown, asked about if a signature is to be added here, and judged as far as they are signed."""
    from eolseq.records.documents import add_signature, read_document, read_document_file

    if options.files:
        return _new_documents(options, standing, index)
    documents = [read_document_file(path) for path in options.document]
    for document in documents:
        standing.judge_approval(document, index, whole=False)
        _show(document, standing)
    if options.key is None:
        return documents
    signing.confirm(options, f"Sign {_count(documents)}?")
    key = signing.person_key(options)
    if key is None:
        raise WrongUse("Who signs?", "Give --key.")
    documents = [read_document(add_signature(document.text, key)) for document in documents]
    for document in documents:
        standing.judge_approval(document, index, whole=False)
    return documents


def _new_documents(options: argparse.Namespace, standing: Standing, index: int) -> list[Document]:
    from eolseq.clock import SystemClock
    from eolseq.records.approvals import ROLES_FOR, approval_payload
    from eolseq.records.documents import APPROVAL_TYPE, make_document, read_document

    if not options.reason:
        raise WrongUse("An approval needs a reason.", "Give --reason.")
    effective = options.effective or SystemClock().now().date()
    payloads = []
    for path in options.files:
        subject, version = _subject(path)
        if len(ROLES_FOR[subject.of]) > 1 and options.out is None:
            raise WrongUse(f"{path} needs the signatures of {' and of '.join(ROLES_FOR[subject.of])}.",
                           "Give --out FOLDER; then the other signs: eolseq approve --document FILE --key.")
        payloads.append(approval_payload(
            standing.origin, subject.of, subject.name, subject.source, version=version, file=str(path),
            number=standing.next_number(subject.of, subject.name), reason=options.reason, effective=effective,
            author=options.author if subject.of == "sequence" else None))
        for line in _words(payloads[-1], standing, subject.source.decode()):
            print(signing.visible(line))
    signing.confirm(options, f"Sign {_count(payloads)}?")
    key = signing.person_key(options)
    if key is None:
        raise WrongUse("Who signs?", "Give --key.")
    documents = [read_document(make_document(APPROVAL_TYPE, payload, key)) for payload in payloads]
    for document in documents:
        standing.judge_approval(document, index, whole=False)
    return documents


def _subject(path: Path) -> tuple[Subject, str]:
    """A file as something to be approved, checked as its kind demands, and its version if it has one."""
    from eolseq.commands.approving import page_subject, sequence_subject, station_subject
    from eolseq.shape import kind_of
    from eolseq.shipped import find

    path = find(path, shipped=True)
    kind = kind_of(path)
    if kind == "sequence":
        from eolseq.sequence.load import load_sequence

        sequence = load_sequence(path)
        return sequence_subject(sequence), sequence.version
    if kind in ("driver page", "register page"):
        from eolseq.instruments.any_page import load_any_page

        return page_subject(load_any_page(path)), ""
    if kind == "station":
        from eolseq.station.file import load_station

        return station_subject(load_station(path)), ""
    raise WrongUse(f"{path} is a {kind}, which needs no approval.", "Name sequences, driver pages or station files.")


# -- showing ----------------------------------------------------------------------------------------------------


def _show(document: Document, standing: Standing) -> None:
    text = document.payload["text"]
    for line in (*_words(document.payload, standing, text), *_here(document.payload),
                 signing.signed_words(document, standing)):
        print(signing.visible(line))


def _here(said: Mapping[str, Any]) -> list[str]:
    """A warning when the file that lies here under that name is not the one in the document."""
    import hashlib

    path = Path(said["file"])
    if not path.is_file() or hashlib.sha256(path.read_bytes()).hexdigest() == said["digest"]:
        return []
    return [f"  NOTE: {path}, as it lies here, is not the text of this document"]


def _words(said: Mapping[str, Any], standing: Standing, text: str | None) -> list[str]:
    """An approval for people: what it is of, what changes by it, from when, why."""
    from eolseq.sequence.changes import side_by_side

    latest = standing.latest(said["of"], said["name"])
    head = f"{said['of']} '{said['name']}' ({said['file']}), approval number {said['number']}"
    before = "never approved before" if latest is None else f"approved before in entry {latest.index}"
    changes = ["  the text is too long to stand in the document: compare the file of this digest"] if text is None \
        else side_by_side(said["of"], None if latest is None else latest.text, text)
    author = f"; author {said['author']}" if said["author"] else ""
    return [f"{head}: {before}{author}", f"  SHA-256 {said['digest']}",
            *changes, f"  from {said['effective']} on, because: {said['reason']}"]


def _count(things: Sized) -> str:
    return "this approval" if len(things) == 1 else f"these {len(things)} approvals"


# -- carrying ---------------------------------------------------------------------------------------------------


def _write(options: argparse.Namespace, documents: list[Document]) -> None:
    for document in documents:
        said = document.payload
        name = re.sub(r"[^a-z0-9]+", "-", f"{said['of']} {said['name']} {said['number']}".lower()).strip("-")
        signing.write_out(options.out / f"{name}.{len(document.keyids)}.json", document.text)


def _carry(options: argparse.Namespace, log: Log, standing: Standing, documents: list[Document]) -> None:
    """Write each into the log; all are judged before the first is written."""
    from eolseq.records.entries import Approval

    for place, document in enumerate(documents):  # each on top of those before it: the same file may stand there twice
        standing.approvals.append(standing.judge_approval(document, log.size + place))
    if options.document and options.key is None:
        signing.confirm(options, f"Write {_count(documents)} into the station's log?")
    for document in documents:
        said = document.payload
        index = log.append(Approval(of=said["of"], name=said["name"], digest=said["digest"],
                                    document=document.text.decode()))
        print(f"{said['file']}: approved in entry {index}, {signing.signed_words(document, standing)}")
    log.checkpoint()
