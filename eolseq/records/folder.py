"""The records folder when a log is opened: made, taken for this process alone, begun, and refused at every doubt."""

from __future__ import annotations

from os import O_CLOEXEC, O_CREAT, O_DIRECTORY, O_RDONLY, O_TRUNC, O_WRONLY
from pathlib import Path

from eolseq.clock import Clock
from eolseq.errors import InUse, RecordFault, Refused, WrongUse
from eolseq.records.compose import Composer, utc_text, values_of
from eolseq.records.entries import Genesis
from eolseq.records.genuine import AUDIT_FIRST
from eolseq.records.keys import SigningKey, first_registry
from eolseq.records.merkle import EMPTY_ROOT
from eolseq.records.note import valid_name
from eolseq.records.scan import CHECKPOINT_NAME, Scan, scan
from eolseq.records.system import OVER_NETWORK, OperatingSystem


def finish_line(found: Scan, file: int, system: OperatingSystem) -> Scan:
    """Give a whole signed line the newline that a crash kept from it: the entry stands, though nobody was told so."""
    if system.fstat(file).st_size != found.length + found.tail:
        raise RecordFault(f"Something else writes to {found.path}.", "Find out what, and end it.")
    system.write_all(file, b"\n")
    system.fdatasync(file)
    return scan(found.path)


def refuse_network(folder: Path, system: OperatingSystem) -> None:
    """Refused when a folder is on a network file system."""
    kind = system.file_system(folder)
    if kind in OVER_NETWORK:
        raise Refused(f"The records folder {folder} is on a network file system ({kind}), where a lock, or a write "
                      "that was waited for, may not be what it says.",
                      "Name a folder on a disk of this computer in the station file, and copy it elsewhere often.")


def refuse_unless_plain(path: Path) -> None:
    """RecordFault when what has the log's name is no plain file: a pipe would never end, a device never be durable."""
    if not path.is_file():
        raise RecordFault(f"{path} is not a plain file, so it is no log.", AUDIT_FIRST)


def check_names(folder: Path, origin_name: str, key_path: Path) -> None:
    """WrongUse when the origin cannot name a log, or the key lies among the records."""
    if not valid_name(origin_name):
        raise WrongUse(f"The origin {origin_name!r} cannot name a log.",
                       "Use letters and digits, without spaces or plus.")
    if key_path.resolve().is_relative_to(folder.resolve()):
        raise WrongUse(f"The key {key_path} lies in the records folder, which is copied and handed on.",
                       "Name a place outside it in the station file.")


def check_owner(found: Scan, origin_name: str, key: SigningKey, role: str) -> None:
    """Refused when a log is not this station's, by key, origin and role."""
    identity = found.identity
    if identity.key.public != key.public:
        raise Refused(f"The log {found.path} is signed by key {identity.key.keyid}; the station's is {key.keyid}.",
                      "Name the right key and records folder in the station file.")
    if identity.origin != f"{origin_name}/{key.keyid}":
        raise Refused(f"The log {found.path} is of {identity.origin}, not of {origin_name}.",
                      "Name another records folder in the station file.")
    if identity.role != role:
        raise Refused(f"The log {found.path} is a {identity.role}'s, and this is a {role}.",
                      "Keep simulated and real records apart: name another records folder.")


def make_folder(folder: Path, system: OperatingSystem) -> None:
    """Make a folder, and those it is in, each on the disk before the next."""
    for each in (*reversed(folder.parents), folder):
        if not each.exists():
            system.mkdir(each, 0o755)
            system.sync_folder(each.parent)


def take(path: Path, flags: int, system: OperatingSystem) -> int:
    """A descriptor of a file or folder that no other process has; InUse when one has it."""
    descriptor = system.open(path, flags)
    try:
        if system.lock(descriptor):
            return descriptor
    except BaseException:
        system.close(descriptor)
        raise
    system.close(descriptor)
    raise InUse(f"{path} is in use by another process.", "End the other eolseq on this station first.")


def begin_log(path: Path, origin: str, key: SigningKey, role: str, clock: Clock, system: OperatingSystem,
           software: str) -> None:
    """The first line, written under another name, so that a log is never without its first entry."""
    if path.with_name(CHECKPOINT_NAME).exists():
        raise RecordFault(f"The log {path} is missing, but its checkpoint is there.", AUDIT_FIRST)
    registry = first_registry(key, role, origin.rpartition("/")[0], origin)
    genesis = Genesis(registry=registry, software=software)
    composer = Composer(origin, key, clock, system.boot())
    line = composer.line(genesis.kind, composer.payload(genesis, values_of(genesis), 0, EMPTY_ROOT, utc_text(clock)))
    descriptor = system.open(path.parent, O_RDONLY | O_DIRECTORY | O_CLOEXEC)
    try:
        replace_file(path, line + b"\n", descriptor, system)
    finally:
        system.close(descriptor)


def replace_file(path: Path, content: bytes, folder: int, system: OperatingSystem) -> None:
    """Write a file under a temporary name and rename it: whole and durable, or as it was."""
    fresh = path.with_name(path.name + ".new")
    descriptor = system.open(fresh, O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC)
    try:
        system.write_all(descriptor, content)
        system.fsync(descriptor)
    finally:
        system.close(descriptor)
    system.rename(fresh, path)
    system.fsync(folder)
