"""``eolseq unlock``: put a locked station back into use, by an order that maintenance or quality signs."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from eolseq.commands import signing
from eolseq.errors import Refused, WrongUse

if TYPE_CHECKING:
    from eolseq.records.approvals import Standing
    from eolseq.records.documents import Document
    from eolseq.station.file import Station

NAME = "unlock"
HELP = """put a locked station back into use

The order is signed by maintenance or quality, names the lock, and says what was found and done. At the next start every
output is turned off and the bay proved dead all the same."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the station, why, and who signs or which document is carried."""
    parser.add_argument("--station", metavar="S", type=Path, required=True, help="the station file")
    parser.add_argument("--reason", metavar="TEXT", help="what was found and done; stands in the record for ever")
    parser.add_argument("--document", metavar="FILE", type=Path, help="carry this order, signed on another computer")
    parser.add_argument("--lock", metavar="INDEX", type=int,
                        help="with --out on another computer: the entry of the lock, as the station tells it")
    parser.add_argument("--records", metavar="FOLDER", type=Path,
                        help="with --out on another computer: a copy of the station's records")
    parser.add_argument("--out", metavar="FILE", type=Path, help="write the order here and carry nothing")
    parser.add_argument("--acknowledge", metavar="OPERATOR", help="a simulated station takes a name for a signature")
    signing.signing_arguments(parser)


def run(options: argparse.Namespace) -> int:
    """Unlock; 0, or 3 when there is nothing to unlock or the order is not as it must be."""
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    if options.document is None and not (options.reason or "").strip():
        raise WrongUse("Why may it be used again?", "Give --reason: what was found and done.")
    station = load_station(find(options.station, shipped=True))
    if options.acknowledge is not None:
        if not station.simulated:
            raise Refused(f"--acknowledge is for simulated stations only; {station.name} is real.",
                          "Give --key of maintenance or quality.")
        return _by_name(station, options.acknowledge, options.reason)
    if options.out is not None and options.records is not None:
        return _elsewhere(options)
    return _carry(options, station)


def _by_name(station: Station, operator: str, reason: str | None) -> int:
    from eolseq.records.entries import Unlock

    if not operator.strip() or not reason:
        raise WrongUse("An unlock needs a name and a reason.", "Give --acknowledge and --reason.")
    with signing.open_log(station) as log:
        if log.locked() is None:
            raise Refused(f"{station.name} is not locked.", "There is nothing to do.")
        index = log.append(Unlock(by=operator, reason=reason))
        log.checkpoint()
    print(signing.visible(f"entry {index}: {station.name} is unlocked by {operator} (SIMULATED)"))
    return 0


def _elsewhere(options: argparse.Namespace) -> int:
    if options.lock is None:
        raise WrongUse("Which lock is it for?", "Give --lock, the entry that 'eolseq run' names.")
    standing = signing.standing_in(options.records)
    with signing.refusing():
        document = _order(options, standing, options.lock)
        standing.judge_unlock(document, 1 << 62)
    signing.write_out(options.out, document.text)
    return 0


def _order(options: argparse.Namespace, standing: Standing, lock: int) -> Document:
    """A new order for a lock, asked about and signed."""
    from eolseq.records.documents import UNLOCK_TYPE, make_document, read_document
    from eolseq.records.station_checks import unlock_payload

    print(signing.visible(f"unlock {standing.origin}, locked in entry {lock}, because: {options.reason}"))
    signing.confirm(options, "Sign this order?")
    key = signing.person_key(options)
    if key is None:
        raise WrongUse("Who signs?", "Give --key of maintenance or quality.")
    return read_document(make_document(UNLOCK_TYPE, unlock_payload(standing.origin, lock, options.reason), key))


def _carry(options: argparse.Namespace, station: Station) -> int:
    from eolseq.records.approvals import Standing
    from eolseq.records.documents import read_document_file
    from eolseq.records.entries import Unlock

    with signing.open_log(station) as log:
        lock = log.locked()
        if lock is None:
            raise Refused(f"{station.name} is not locked.", "There is nothing to do.")
        print(signing.visible(f"locked in entry {lock.index}, {lock.time[:19].replace('T', ' ')} UTC: {lock.reason}"))
        standing = Standing(log.documents)
        with signing.refusing():
            document = read_document_file(options.document) if options.document is not None else \
                _order(options, standing, lock.index)
            meant, signers = standing.judge_unlock(document, log.size)
        if meant != lock.index:
            raise Refused(f"The order is for the lock of entry {meant}; the station is locked in entry {lock.index}.",
                          "Have an order made for the lock that stands.")
        if options.out is not None:
            signing.write_out(options.out, document.text)
            return 0
        by = ", ".join(each.holder for each in signers)
        index = log.append(Unlock(by=by, reason=document.payload["reason"], document=document.text.decode()))
        log.checkpoint()
    print(signing.visible(f"entry {index}: {station.name} is unlocked, {signing.signed_words(document, standing)}"))
    return 0
