"""Keys: the station's own, made on first use; public keys that may be trusted; the registry that names them.

A public key is taken into a registry only when it is a canonical point of prime order, and a signature whose R has
small order is refused: on exactly such keys and signatures two honest verifiers may disagree.
"""

from __future__ import annotations

import base64
import os
import stat
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives import serialization
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from eolseq.errors import RecordFault, Refused
from eolseq.records.points import SMALL_ORDER, is_prime_order
from eolseq.records.system import OperatingSystem

STATION = "station"
SIMULATED_STATION = "simulated station"
STATION_ROLES = (STATION, SIMULATED_STATION)


def key_id(public: bytes) -> str:
    """A key's short name: the first 16 hex digits of the SHA-256 of its 32 public bytes."""
    return sha256(public).hexdigest()[:16]


class PublicKey:
    """An Ed25519 public key that checks signatures; made only from a canonical point of prime order."""

    __slots__ = ("_key", "keyid", "public")

    def __init__(self, public: bytes) -> None:
        if not is_prime_order(public):
            raise RecordFault("A public key is not a canonical point of prime order on Ed25519.",
                              "Do not trust anything it signed; have the key made anew.")
        self.public = public
        self.keyid = key_id(public)
        self._key = Ed25519PublicKey.from_public_bytes(public)

    def verify(self, signature: bytes, message: bytes) -> bool:
        """Whether the signature over the message is this key's, and one that every verifier would accept."""
        if signature[:32] in SMALL_ORDER:
            return False
        try:
            self._key.verify(signature, message)
        except InvalidSignature:
            return False
        return True


class SigningKey:
    """An Ed25519 private key held ready for signing."""

    __slots__ = ("_key", "keyid", "public")

    def __init__(self, key: Ed25519PrivateKey) -> None:
        self._key = key
        self.public = key.public_key().public_bytes_raw()
        self.keyid = key_id(self.public)

    @classmethod
    def from_seed(cls, seed: bytes) -> SigningKey:
        """The key of a 32-byte seed (the secret of RFC 8032)."""
        return cls(Ed25519PrivateKey.from_private_bytes(seed))

    @classmethod
    def make(cls) -> SigningKey:
        """A new key from the system's randomness."""
        return cls(Ed25519PrivateKey.generate())

    def sign(self, message: bytes) -> bytes:
        """The 64-byte signature over a message; the same every time."""
        return self._key.sign(message)

    def verifier(self) -> PublicKey:
        """The public half."""
        return PublicKey(self.public)

    def pem(self, passphrase: bytes = b"") -> bytes:
        """The key as PEM PKCS#8 text, encrypted if there is a passphrase."""
        how = serialization.BestAvailableEncryption(passphrase) if passphrase else serialization.NoEncryption()
        return self._key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, how)


def station_key(path: Path, system: OperatingSystem, may_make: bool) -> SigningKey:
    """The station's key from its file; made first, mode 0600, when it is missing and may be made."""
    if not path.exists():
        if not may_make:
            raise Refused(f"The station's key {path} is missing, but its log exists.",
                          "Put the key back from its backup; without it, move the records folder aside and give it to "
                          "quality, and a new log begins with a new key.")
        _make(path, system)
    return load_key(path, system)


def load_key(path: Path, system: OperatingSystem) -> SigningKey:
    """The private key in a PEM PKCS#8 file; refused when anyone but its owner could read it."""
    return _parse(path, read_private(path, system))


def load_person_key(path: Path, passphrase: bytes, system: OperatingSystem) -> SigningKey:
    """A person's private key, which is encrypted; refused when others could read it or the passphrase is wrong."""
    text = read_private(path, system)
    try:
        key = serialization.load_pem_private_key(text, password=passphrase)
    except TypeError as error:
        raise Refused(f"The key {path} is not encrypted, and a person's key must be.",
                      "Make a new one with 'eolseq keys make', and have quality revoke this one.") from error
    except ValueError as error:
        raise Refused(f"The key {path} cannot be opened: the passphrase is wrong, or it is no PEM private key.",
                      "Try again. A passphrase that is forgotten is a key that is lost: have quality replace it.") \
            from error
    if not isinstance(key, Ed25519PrivateKey):
        raise Refused(f"The key {path} is not an Ed25519 key.", "Make one with 'eolseq keys make'.")
    return SigningKey(key)


def make_person_key(path: Path, passphrase: bytes, system: OperatingSystem) -> SigningKey:
    """A new private key in a file that did not exist, encrypted, mode 0600."""
    key = SigningKey.make()
    try:
        path.parent.mkdir(0o700, parents=True, exist_ok=True)
        _write_new(path, key.pem(passphrase), system)
        system.sync_folder(path.parent)
    except FileExistsError as error:
        raise Refused(f"The file {path} exists already.",
                      "Choose another name; a key is never written over.") from error
    except OSError as error:
        raise Refused(f"The key {path} cannot be written: {error.strerror}.", "Choose another folder.") from error
    return key


def read_private(path: Path, system: OperatingSystem) -> bytes:
    """The content of a private key's file; refused when anyone but its owner could read it."""
    try:
        descriptor = system.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
        try:
            _refuse_readable_by_others(path, system.fstat(descriptor), system.user())
            text = system.read(descriptor, 65_536)
        finally:
            system.close(descriptor)
    except OSError as error:
        raise Refused(f"The key {path} cannot be read: {error.strerror}.",
                      "Check its path and who may read it.") from error
    return text


def _refuse_readable_by_others(path: Path, status: os.stat_result, user: int) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise Refused(f"The key {path} is not a plain file.", "Name the key file itself in the station file.")
    if status.st_mode & 0o077:
        raise Refused(f"The key {path} can be read by others (mode {stat.S_IMODE(status.st_mode):04o}).",
                      f"If nobody has copied it, run: chmod 600 {path}. Otherwise have a new key made.")
    if status.st_uid not in (user, 0):
        raise Refused(f"The key {path} belongs to another user ({status.st_uid}), who can read it.",
                      "Make the user that runs the station the owner of the key.")


def _parse(path: Path, text: bytes) -> SigningKey:
    try:
        key = serialization.load_pem_private_key(text, password=None)
    except (ValueError, TypeError) as error:
        raise Refused(f"The file {path} holds no unencrypted PEM private key.",
                      "Put the station's key back from its backup.") from error
    if not isinstance(key, Ed25519PrivateKey):
        raise Refused(f"The key {path} is not an Ed25519 key.", "Put the station's key back from its backup.")
    return SigningKey(key)


def _make(path: Path, system: OperatingSystem) -> None:
    """Write a new key under another name and link it, so that a key is whole or absent, and never replaced."""
    fresh = path.with_name(f"{path.name}.{os.getpid()}.new")
    try:
        for folder in (*reversed(path.parent.parents), path.parent):
            if not folder.exists():
                system.mkdir(folder, 0o700)
                system.sync_folder(folder.parent)
        _write_private(fresh, SigningKey.make().pem(), system)
        with suppress(FileExistsError):  # another process was faster; its key is the station's
            system.link(fresh, path)
        system.unlink(fresh)
        system.sync_folder(path.parent)
    except OSError as error:
        raise Refused(f"The station's key {path} cannot be made: {error.strerror}.",
                      "Give the station a folder for its key that it may write to.") from error


def _write_private(path: Path, content: bytes, system: OperatingSystem) -> None:
    if path.exists():
        system.unlink(path)
    _write_new(path, content, system)


def _write_new(path: Path, content: bytes, system: OperatingSystem) -> None:
    descriptor = system.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
    try:
        system.write_all(descriptor, content)
        system.fsync(descriptor)
    finally:
        system.close(descriptor)


@dataclass(frozen=True, slots=True)
class RegisteredKey:
    """One key of a registry: who may sign what with it."""

    key: PublicKey
    role: str
    holder: str
    scope: str


def first_registry(key: SigningKey, role: str, holder: str, scope: str) -> dict[str, Any]:
    """Registry version 1: the station's own key and nothing else. Scope is the origin of the log it signs."""
    if role not in STATION_ROLES:
        raise RecordFault(f"A log cannot be signed in the role '{role}'.", f"Use one of: {', '.join(STATION_ROLES)}.")
    entry = {"keyid": key.keyid, "algorithm": "Ed25519", "public": base64.b64encode(key.public).decode(),
             "role": role, "holder": holder, "scope": scope}
    return {"version": 1, "threshold": 1, "keys": [entry]}


def read_registry(document: object) -> dict[str, RegisteredKey]:
    """The keys of a version 1 registry by short name; RecordFault when the document is anything else."""
    try:
        if not isinstance(document, Mapping) or (document["version"], document["threshold"]) != (1, 1):
            raise ValueError("it is not version 1")
        found = {entry["keyid"]: _registered(entry) for entry in document["keys"]}
        if not found or len(found) != len(document["keys"]):
            raise ValueError("its keys are missing or repeated")
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise RecordFault(f"The key registry in the log cannot be read ({error}).",
                          "Show the log to quality.") from error
    return found


def _registered(entry: Mapping[str, Any]) -> RegisteredKey:
    if entry["algorithm"] != "Ed25519":
        raise ValueError(f"algorithm {entry['algorithm']!r}")
    key = PublicKey(base64.b64decode(entry["public"], validate=True))
    if key.keyid != entry["keyid"]:
        raise ValueError("a key does not fit its short name")
    role, holder, scope = (entry[name] for name in ("role", "holder", "scope"))
    if not (isinstance(role, str) and isinstance(holder, str) and isinstance(scope, str)):
        raise ValueError("role, holder and scope are texts")
    return RegisteredKey(key, role, holder, scope)
