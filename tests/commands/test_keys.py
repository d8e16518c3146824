"""``eolseq keys`` as people use it: made, enrolled, shown, replaced and revoked, here and on another computer."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from eolseq.__main__ import main
from eolseq.records.audit import audit

STATION = ("--station", "simulators/demo-station.yaml")  # the shipped one: the plant and its bench are invented
WORDS = b"a passphrase for the tests"


def keys(*words: str, passphrase: bytes | None = WORDS) -> int:
    """``eolseq keys`` with a passphrase on a descriptor of its own, as a script would give it."""
    return with_passphrase("keys", *words, passphrase=passphrase)


def with_passphrase(*words: str, passphrase: bytes | None = WORDS) -> int:
    if passphrase is None:
        return main(list(words))
    reading, writing = os.pipe()
    try:
        os.write(writing, passphrase + b"\n")
        os.close(writing)
        return main([*words, "--passphrase-fd", str(reading)])
    finally:
        os.close(reading)


def make(*names: str) -> None:
    roles = {"q": "quality", "e": "engineer", "m": "maintenance"}
    for name in names:
        assert keys("make", f"keys/{name}.pem", "--role", roles[name[0]], "--holder", name, "--scope",
                    "aldervale.example") == 0


def enrol(*names: str, by: str = "q-1", more: tuple[str, ...] = ()) -> int:
    return keys("enrol", *(f"keys/{name}.pem.pub" for name in names), *STATION, "--key", f"keys/{by}.pem",
                "--reason", "for the test", "--yes", *more)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def shown(capsys: pytest.CaptureFixture[str]) -> dict[str, list[dict[str, object]]]:
    capsys.readouterr()
    assert main(["keys", "show", *STATION, "--json"]) == 0
    found: dict[str, list[dict[str, object]]] = json.loads(capsys.readouterr().out)
    return found


def short(name: str) -> str:
    """The short name of a key from its public file."""
    from eolseq.records.documents import read_document_file

    return str(read_document_file(Path(f"keys/{name}.pem.pub")).payload["keyid"])


def test_the_first_keys_of_a_plant(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make("q-1", "e-1", "m-1")
    assert enrol("q-1", "e-1", "m-1") == 0
    assert "registry version 2 holds from entry 1 on" in capsys.readouterr().out
    found = shown(capsys)
    assert {(each["holder"], each["role"]) for each in found["keys"]} >= {
        ("q-1", "quality"), ("e-1", "engineer"), ("m-1", "maintenance")}
    assert not audit(here / "records").findings_count
    private = b"".join(path.read_bytes() for path in (here / "keys").glob("*.pem") if "demo" not in path.name)
    assert private.count(b"ENCRYPTED PRIVATE KEY") == 6 and WORDS not in private
    assert WORDS not in (here / "records" / "log.jsonl").read_bytes()


def test_a_key_is_revoked_and_replaced(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make("q-1", "e-1", "e-2", "m-1")
    assert enrol("q-1", "e-1", "m-1") == 0
    assert keys("replace", short("e-1"), "keys/e-2.pem.pub", *STATION, "--key", "keys/q-1.pem", "--reason",
                "passphrase forgotten", "--yes") == 0
    assert keys("revoke", short("m-1"), *STATION, "--key", "keys/q-1.pem", "--reason", "left", "--from", "1",
                "--yes") == 0
    found = shown(capsys)
    assert [(each["holder"], each["from"], each["reason"]) for each in found["revoked"]] == [
        ("e-1", 2, "passphrase forgotten"), ("m-1", 1, "left")]
    assert enrol("e-1") == 3
    assert "was revoked and cannot be enrolled again" in capsys.readouterr().err


def test_two_people_of_quality_sign_on_two_computers(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Threshold 2; the second version is made from a copy of the records, signed by one and then by the other."""
    make("q-1", "q-2", "q-3", "e-1")
    assert enrol("q-1", "q-2", "e-1", more=("--threshold", "2", "--out", "first.json")) == 0
    assert keys("sign", "first.json", "--key", "keys/q-2.pem", "--out", "both.json", "--yes") == 0
    assert main(["keys", "enrol", "--document", "first.json", *STATION, "--yes"]) == 3
    assert "carries 1 of the 2 signatures" in capsys.readouterr().err
    assert main(["keys", "enrol", "--document", "both.json", *STATION, "--yes"]) == 0
    shutil.copytree("records", "copy")
    assert keys("enrol", "keys/q-3.pem.pub", "--records", "copy", "--key", "keys/q-1.pem", "--reason", "one in reserve",
                "--out", "third.json", "--yes") == 0
    assert keys("sign", "third.json", "--key", "keys/q-2.pem", "--out", "third-both.json", "--yes") == 0
    assert main(["keys", "show", "third-both.json"]) == 0
    assert main(["keys", "enrol", "--document", "third-both.json", *STATION, "--yes"]) == 0
    assert len(shown(capsys)["keys"]) == 5
    assert main(["keys", "enrol", "--document", "both.json", *STATION, "--yes"]) == 3
    assert "made for another place in the log" in capsys.readouterr().err


WRONG: dict[str, tuple[tuple[str, ...], bytes | None, int, str]] = {
    "a wrong passphrase": (("enrol", "keys/q-1.pem.pub", *STATION, "--key", "keys/q-1.pem", "--reason", "x", "--yes"),
                           b"another one", 3, "passphrase is wrong"),
    "no passphrase": (("enrol", "keys/q-1.pem.pub", *STATION, "--key", "keys/q-1.pem", "--reason", "x", "--yes"),
                      b"", 2, "gives no passphrase"),
    "no terminal for the passphrase": (
        ("enrol", "keys/q-1.pem.pub", *STATION, "--key", "keys/q-1.pem", "--reason", "x", "--yes"), None, 2,
        "no terminal to ask for the passphrase"),
    "no terminal to confirm in": (
        ("enrol", "--threshold", "1", *STATION, "--key", "keys/q-1.pem", "--reason", "x"), WORDS, 2, "add --yes"),
    "no reason": (("enrol", "keys/q-1.pem.pub", *STATION, "--key", "keys/q-1.pem", "--yes"), WORDS, 2, "needs a reason"),
    "nobody signs": (("enrol", "keys/q-1.pem.pub", *STATION, "--reason", "x", "--yes"), None, 2, "Who signs?"),
    "nothing to enrol": (("enrol", *STATION, "--key", "keys/q-1.pem", "--reason", "x", "--yes"), WORDS, 2, "nothing to"),
    "no place": (("enrol", "keys/q-1.pem.pub", "--key", "keys/q-1.pem", "--reason", "x"), WORDS, 2, "--station, or"),
    "a private key for a public one": (
        ("enrol", "keys/q-1.pem", *STATION, "--key", "keys/q-1.pem", "--reason", "x", "--yes"), WORDS, 3,
        "no signed document"),
    "a key that is there already": (
        ("make", "keys/q-1.pem", "--role", "quality", "--holder", "q-1", "--scope", "aldervale.example"), WORDS, 2,
        "exists already"),
    "a short passphrase": (
        ("make", "keys/q-9.pem", "--role", "quality", "--holder", "q-9", "--scope", "aldervale.example"), b"short", 2,
        "shorter than 10"),
    "a name with a space": (
        ("make", "keys/q-9.pem", "--role", "quality", "--holder", "Jo Doe", "--scope", "aldervale.example"), WORDS, 2,
        "cannot name a person"),
    "a key nobody has": (("revoke", "0" * 16, *STATION, "--key", "keys/q-1.pem", "--reason", "x", "--yes"), WORDS, 2,
                         "There is no key"),
    "a document that is not there": (("enrol", "--document", "none.json", *STATION, "--yes"), None, 2, "cannot be read"),
    "a log nobody has": (("show", "--records", "nowhere"), None, 2, "There is no log"),
}


@pytest.mark.parametrize("name", WRONG)
def test_wrong_use_is_said_and_changes_nothing(here: Path, name: str, capsys: pytest.CaptureFixture[str]) -> None:
    words, passphrase, code, reason = WRONG[name]
    make("q-1")
    assert enrol("q-1") == 0
    before = (here / "records" / "log.jsonl").read_bytes(), sorted(os.listdir("keys"))
    assert keys(*words, passphrase=passphrase) == code
    assert reason in capsys.readouterr().err
    assert ((here / "records" / "log.jsonl").read_bytes(), sorted(os.listdir("keys"))) == before


def test_a_key_that_others_can_read_signs_nothing(here: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make("q-1")
    os.chmod("keys/q-1.pem", 0o640)
    assert enrol("q-1") == 3
    assert "can be read by others" in capsys.readouterr().err
