"""Cosignatures of checkpoints: the specification's example, its form of the message, and what must be refused."""

from __future__ import annotations

from base64 import b64encode
from hashlib import sha256

import pytest

from eolseq.errors import NotGenuine
from eolseq.records.checkpoint import read_body
from eolseq.records.cosignature import Witness, cosignatures, cosigned_at, cosigned_message
from eolseq.records.keys import SigningKey
from eolseq.records.note import divide_note

# The example of https://github.com/C2SP/C2SP/blob/main/tlog-cosignature.md, CC BY 4.0. No key is published for it, so
# it shows the form only. The message below is that document's too.
EXAMPLE = """example.com/behind-the-sofa
20852163
CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=

— example.com/behind-the-sofa Az3grlgtzPICa5OS8npVmf1Myq/5IZniMp+ZJurmRDeOoRDe4URYN7u5/Zhcyv2q1gGzGku9nTo+zyWE+xeMcTOAYQ8=
— witness.example.com/w1 jWbPPwAAAABkGFDLEZMHwSRaJNiIDoe9DYn/zXcrtPHeolMI5OWXEhZCB9dlrDJsX3b2oyin1nPZqhf5nNo0xUe+mbIUBkBIfZ+qnA==
""".encode()
MESSAGE = b"""cosignature/v1
time 1679315147
example.com/behind-the-sofa
20852163
CsUYapGGPo4dkMgIAUqom/Xajj7h2fB2MPA3j2jxq2I=
"""
NAME = "witness.example.com/w1"
KEY = SigningKey.from_seed(bytes(range(32)))
TEXT = divide_note(EXAMPLE)[0]


def line(name: str = NAME, time: int = 1679315147, number: bytes | None = None, signed: bytes | None = None,
         behind: bytes = b"") -> bytes:
    """A cosignature's line, by hand from the specification."""
    number = sha256(name.encode() + b"\n\x04" + KEY.public).digest()[:4] if number is None else number
    signature = KEY.sign(b"cosignature/v1\ntime %d\n" % time + TEXT.encode() if signed is None else signed)
    return f"— {name} ".encode() + b64encode(number + time.to_bytes(8, "big") + signature + behind) + b"\n"


def note(*lines: bytes) -> bytes:
    return TEXT.encode() + b"\n" + b"".join(lines)


def test_the_published_example_is_read() -> None:
    found = list(cosignatures(EXAMPLE))
    assert [(each.name, each.number.hex(), each.time, len(each.signature)) for each in found] == [
        (NAME, "8d66cf3f", 1679315147, 64)]
    assert cosigned_message(TEXT, found[0].time) == MESSAGE
    assert read_body(TEXT).size == 20852163
    with pytest.raises(NotGenuine, match="no cosignature by"):
        cosigned_at(EXAMPLE, Witness(NAME, KEY.verifier()))


def test_the_latest_of_a_witnesss_cosignatures_counts() -> None:
    witness = Witness(NAME, KEY.verifier())
    assert cosigned_at(note(line()), witness) == 1679315147
    assert cosigned_at(note(line(), line(time=1679400000), line(time=1679315148)), witness) == 1679400000
    assert cosigned_at(note(line("another.example"), line()), witness) == 1679315147


REFUSED = {
    "none": (line("another.example"), "no cosignature"),
    "another time than signed": (line(signed=MESSAGE.replace(b"147\n", b"148\n")), "does not fit"),
    "another text": (line(signed=MESSAGE.replace(b"20852163", b"20852164")), "does not fit"),
    "the bare text signed": (line(signed=TEXT.encode()), "does not fit"),
    "number of a plain signature": (line(number=sha256(NAME.encode() + b"\n\x01" + KEY.public).digest()[:4]),
                                    "no cosignature"),
    "a byte too many": (line(behind=b"\0"), "no cosignature"),
    "a time beyond 63 bits": (line(time=1 << 63), "no cosignature"),
    "one good, one bad": (line() + line(signed=b""), "does not fit"),
    "malformed line": (line() + b"- x\n", "malformed"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_is_no_cosignature_is_refused(name: str) -> None:
    lines, why = REFUSED[name]
    with pytest.raises(NotGenuine, match=why):
        cosigned_at(note(lines), Witness(NAME, KEY.verifier()))


@pytest.mark.parametrize("name", ["", "two words", "a+b"])
def test_a_witness_has_a_name_that_a_line_can_carry(name: str) -> None:
    with pytest.raises(NotGenuine, match="name"):
        Witness(name, KEY.verifier())
