"""What ``keys`` and ``approve`` share: passphrases, the station's log or a copy of it, asking, carrying documents."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from eolseq.errors import Refused, WrongUse

if TYPE_CHECKING:
    from eolseq.records.approvals import Standing
    from eolseq.records.documents import Document
    from eolseq.records.keys import SigningKey
    from eolseq.records.log import Log
    from eolseq.station.file import Station

LEAST_PASSPHRASE = 10  # characters
_LONGEST_PASSPHRASE = 1024  # bytes


def place_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare where the registry and the approvals are: the station, or a copy of its records on another computer."""
    parser.add_argument("--station", metavar="S", type=Path, help="the station file; its log carries what is signed")
    parser.add_argument("--records", metavar="FOLDER", type=Path,
                        help="a copy of the station's records, on another computer; needs --out")


def signing_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare who signs, and whether to ask before it."""
    parser.add_argument("--key", metavar="FILE", type=Path, help="the private key that signs")
    passphrase_argument(parser)
    parser.add_argument("--yes", action="store_true", help="do not ask; everything is printed all the same")


def passphrase_argument(parser: argparse.ArgumentParser) -> None:
    """Declare the file descriptor to read a passphrase from; it is never an argument, which others could see."""
    parser.add_argument("--passphrase-fd", metavar="N", type=int,
                        help="read the key's passphrase from this file descriptor, up to its first line end")


def passphrase(options: argparse.Namespace, path: Path, *, new: bool = False) -> bytes:
    """The passphrase from the descriptor that was named, else from a prompt, asked twice for a new key."""
    if options.passphrase_fd is not None:
        found = _from_descriptor(options.passphrase_fd)
    elif sys.stdin.isatty():
        found = _from_prompt(path, new)
    else:
        raise WrongUse("There is no terminal to ask for the passphrase in.", "Give --passphrase-fd.")
    if new and len(found.decode("utf-8", "replace")) < LEAST_PASSPHRASE:
        raise WrongUse(f"The passphrase is shorter than {LEAST_PASSPHRASE} characters.", "Choose a longer one.")
    return found


def _from_descriptor(number: int) -> bytes:
    try:
        found = b""
        while b"\n" not in found and len(found) <= _LONGEST_PASSPHRASE:
            piece = os.read(number, 1)
            if not piece:
                break
            found += piece
    except OSError as error:
        raise WrongUse(f"File descriptor {number} cannot be read: {error.strerror}.",
                       "Check --passphrase-fd.") from error
    found = found.rstrip(b"\r\n")
    if not found or len(found) > _LONGEST_PASSPHRASE:
        raise WrongUse(f"File descriptor {number} gives no passphrase.", "Check --passphrase-fd.")
    return found


def _from_prompt(path: Path, new: bool) -> bytes:
    import getpass

    try:
        first = getpass.getpass(f"Passphrase for {path}: ")
        if new and getpass.getpass("The same again: ") != first:
            raise WrongUse("The two passphrases differ.", "Start again.")
    except EOFError as error:
        raise WrongUse("No passphrase was given.", "Start again.") from error
    return first.encode()


def person_key(options: argparse.Namespace) -> SigningKey | None:
    """The private key that --key names, opened; None when none is named."""
    if options.key is None:
        return None
    from eolseq.records.keys import load_person_key
    from eolseq.records.system import OperatingSystem

    return load_person_key(options.key, passphrase(options, options.key), OperatingSystem())


def confirm(options: argparse.Namespace, question: str) -> None:
    """Ask in the terminal; Refused when the answer is not yes, WrongUse where nobody can be asked."""
    if options.yes:
        return
    if not sys.stdin.isatty():
        raise WrongUse("There is no terminal to ask in.", "Read what is printed above, then add --yes.")
    print(f"{question} Type yes: ", end="", flush=True)
    if sys.stdin.readline().strip().lower() != "yes":
        raise Refused("Not confirmed; nothing was signed or written.", "Start again when it is right.")


def station_of(options: argparse.Namespace) -> Station | None:
    """The station file that --station names; None with --records; WrongUse with neither or both."""
    if (options.station is None) == (options.records is None):
        raise WrongUse("Name the station with --station, or a copy of its records with --records.",
                       "One of the two is needed.")
    if options.station is None:
        return None
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    return load_station(find(options.station, shipped=True))


def open_log(station: Station) -> Log:
    """The station's log, begun if there is none yet, for this process alone, with what was handed in taken in."""
    from eolseq.clock import SystemClock
    from eolseq.commands.waiting import take_in
    from eolseq.records.log import Log

    log = Log.open(Path(station.records), origin_name=station.origin, key_path=Path(station.key),
                   role="simulated station" if station.simulated else "station", clock=SystemClock())
    try:
        for said in take_in(log, station):
            print(visible(said), file=sys.stderr)
    except BaseException:
        log.close()
        raise
    return log


def standing_in(folder: Path) -> Standing:
    """The registry and approvals in a records folder or a copy of one, checked."""
    from eolseq.records.approvals import Standing
    from eolseq.records.reader import Records

    return Standing(Records.open(folder).documents)


@contextmanager
def refusing() -> Iterator[None]:
    """A document that is not as it should be is refused; only a log that is not is a fault of the station."""
    from eolseq.errors import NotGenuine

    try:
        yield
    except NotGenuine as error:
        raise Refused(error.what, error.do) from error


def write_out(path: Path, text: bytes) -> None:
    """Write a document to a file; one that is there already is not written over."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("xb") as stream:
            stream.write(text + b"\n")
    except OSError as error:
        raise WrongUse(f"The file {path} cannot be written: {error.strerror}.", "Choose another name.") from error
    print(f"wrote {path}")


def signed_words(document: Document, standing: Standing) -> str:
    """Who has signed a document, by holder, role and short name, as far as the registry knows them."""
    said = []
    for keyid in document.keyids:
        key = standing.registry.keys.get(keyid)
        said.append(f"{key.holder} ({key.role}, {keyid})" if key else f"key {keyid}")
    return "signed by " + ", ".join(said)


def visible(text: str) -> str:
    """The text with whatever a terminal could act on written as an escape."""
    return "".join(sign if sign.isprintable() else ascii(sign)[1:-1] for sign in text)
