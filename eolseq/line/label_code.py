"""The text in a label's QR code: one line of ASCII that anyone can take apart, signed by the station.

It has ten words, parted by single spaces::

    EOLSEQ-LABEL-1 UNIT REAL plant.example/bench-1/0123456789abcdef 1234 1236 ROOT 1 AB-00000001 SIGNATURE

form of the code, what the label is for, real or simulated, origin of the log, index of the passing ``end``, size of
the log and its Merkle root, number of the copy, serial (percent-encoded), Ed25519 signature; root and signature in
base64 for addresses, without padding. What is signed is the text of a checkpoint of the log with one line more, so
that the code is a signed note in another dress and a label alone convicts a log that was rewritten.
"""

from __future__ import annotations

import re
from base64 import urlsafe_b64decode, urlsafe_b64encode
from dataclasses import dataclass
from urllib.parse import quote, unquote

from eolseq.errors import WrongUse
from eolseq.records.checkpoint import Checkpoint

FORM = "EOLSEQ-LABEL-1"
REAL, SIMULATED = "REAL", "SIMULATED"
LONGEST_CODE = 600
"""Characters; whatever is longer is no code of ours."""

_COUNT = re.compile(r"0|[1-9][0-9]{0,15}")
_ORIGIN = re.compile(r"[a-z0-9][a-z0-9./-]{0,119}")
_NOT_OURS = "Scan the square code of the label again, whole; the bar code beside it is only the serial number."


@dataclass(frozen=True, slots=True)
class LabelCode:
    """What a label's QR code says; ``index`` is that of the passing ``end``, ``signature`` 64 bytes, empty if unsigned.

    ``of`` is ``unit`` or ``carton``.
    """

    of: str
    simulated: bool
    index: int
    checkpoint: Checkpoint
    copy: int
    serial: str
    signature: bytes = b""

    def signed_text(self) -> str:
        """The text that the station signs: a checkpoint, and a line with everything else that the code says."""
        return f"{self.checkpoint.body()}label {self._mark()} {self.index} {self.copy} {quote(self.serial, safe='')}\n"

    def text(self) -> str:
        """The code as it is printed."""
        at = self.checkpoint
        return " ".join((FORM, self._mark(), at.origin, str(self.index), str(at.size), _written(at.root),
                         str(self.copy), quote(self.serial, safe=""), _written(self.signature)))

    def _mark(self) -> str:
        return f"{self.of.upper()} {SIMULATED if self.simulated else REAL}"


def looks_like_code(text: str) -> bool:
    """Whether a scanned text means to be a label's code of any version, right or wrong: never a serial number."""
    return text.strip().upper().startswith(FORM[:-1])


def read_code(text: str) -> LabelCode:
    """What a scanned text says, not yet whether it is true; WrongUse when it is no code of a label.

    Only the one way of writing a code is taken, so that a code read equals the code printed, letter by letter.
    """
    scanned = text.strip()
    words = scanned.split(" ")
    if len(scanned) > LONGEST_CODE or len(words) != 10 or words[0] != FORM:
        raise WrongUse("This is not the code of one of our labels, or only a piece of it.", _NOT_OURS)
    of, mark, origin, index, size, root, copy, serial, signature = words[1:]
    try:
        if not all(map(_COUNT.fullmatch, (index, size, copy))) or not _ORIGIN.fullmatch(origin):
            raise ValueError("a count or the origin")
        code = LabelCode(of.lower(), mark == SIMULATED, int(index), Checkpoint(origin, int(size), _read(root, 32)),
                         int(copy), unquote(serial, errors="strict"), _read(signature, 64))
    except ValueError as error:
        raise WrongUse(f"A part of the label's code cannot be read ({error}).", _NOT_OURS) from error
    if of not in ("UNIT", "CARTON") or code.text() != scanned:
        raise WrongUse("The label's code is not written as we write it.", _NOT_OURS)
    return code


def _written(data: bytes) -> str:
    return urlsafe_b64encode(data).decode().rstrip("=")


def _read(text: str, length: int) -> bytes:
    """The bytes of base64 without padding; ValueError when they are not so many."""
    if not re.fullmatch(r"[A-Za-z0-9_-]+", text):
        raise ValueError("base64")
    data = urlsafe_b64decode(text + "=" * (-len(text) % 4))
    if len(data) != length:
        raise ValueError(f"{len(data)} bytes instead of {length}")
    return data
