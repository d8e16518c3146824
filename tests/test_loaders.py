"""No bytes make a loader raise anything but its own errors, and what it takes can be used."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from eolseq.__main__ import main
from eolseq.commands.check import _sequence_words as words_of
from eolseq.errors import EolseqError, FileMistakes
from eolseq.instruments.page import load_page
from eolseq.instruments.register_page import load_register_page
from eolseq.records.checkpoint import read_body
from eolseq.records.documents import read_document
from eolseq.records.genuine import read_genesis
from eolseq.records.keys import read_registry
from eolseq.records.note import open_note, read_signer, read_verifier
from eolseq.sequence.findings import findings
from eolseq.sequence.load import load_sequence
from eolseq.simulation.file import build, load_simulator
from eolseq.station.file import load_station
from tests.test_schema import FILES, KINDS, SEEDS, groups, mutated

LOADERS: dict[str, Callable[[Path], Any]] = {"sequence": load_sequence, "driver page": load_page, "register page": load_register_page,
                                             "station": load_station,
                                             "simulator": load_simulator}
BYTES = {kind: [path.read_bytes() for path in paths] for kind, paths in FILES.items()}
ODD_BYTES = [b"", b"\x00", b"\xff\xfe", b"\xc3", b"\r\n", b"\t", b": ", b"- ", b"&a ", b"*a", b"!!python/name:os.system ", b"{",
             b"}", b"[", b"'", b'"', b"#", b"%", b"|", b"<<: *a", b"? ", b"---\n", b"...\n", b"\xe2\x80\xae", b"1e999", b"~", b"[" * 60]
SLOWLY = settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture,
                                                                         HealthCheck.too_slow])


@pytest.fixture
def path(quick_path: Path) -> Iterator[Path]:
    yield quick_path / "file.yaml"


@st.composite
def damaged(draw: st.DrawFn, source: bytes) -> bytes:
    """The bytes of a file with one to four pieces cut out, put in twice, or replaced."""
    for _ in range(draw(st.integers(1, 4))):
        start = draw(st.integers(0, len(source)))
        end = min(len(source), start + draw(st.sampled_from((0, 1, 2, 5, 30, 300))))
        piece = draw(st.sampled_from((*ODD_BYTES, source[start:end] * 2)) | st.binary(max_size=4))
        source = source[:start] + piece + source[end:]
    return source


def use(kind: str, found: Any) -> None:
    """What is taken can be described, looked through, and built."""
    if kind == "sequence":
        assert words_of(found) and findings(found) is not None
        assert found.seconds() > 0 and all(step.settings_for_log() is not None for step in found.steps)
    elif kind == "simulator":
        assert build(found, now=0.0).instruments()


def load_or_mistakes(kind: str, path: Path, source: bytes) -> bool:
    """Whether the loader takes the bytes; anything but FileMistakes with places is a failure."""
    path.write_bytes(source)
    try:
        found = LOADERS[kind](path)
    except FileMistakes as error:
        assert error.mistakes and all(each.place.line >= 1 and each.place.column >= 1 and each.what for each in error.mistakes)
        return False
    use(kind, found)
    return True


@pytest.mark.parametrize("kind", LOADERS)
@SLOWLY
@given(data=st.data())
def test_any_bytes(kind: str, path: Path, data: st.DataObject) -> None:
    assert not load_or_mistakes(kind, path, data.draw(st.binary(max_size=300) | st.text(max_size=200).map(str.encode)))


@pytest.mark.parametrize("kind", LOADERS)
@SLOWLY
@given(data=st.data())
def test_damaged_files(kind: str, path: Path, data: st.DataObject) -> None:
    load_or_mistakes(kind, path, data.draw(damaged(data.draw(st.sampled_from(BYTES[kind])))))


@pytest.mark.parametrize("kind", LOADERS)
@SLOWLY
@given(data=st.data())
def test_files_with_other_values(kind: str, path: Path, data: st.DataObject) -> None:
    load_or_mistakes(kind, path, json.dumps(data.draw(mutated(data.draw(st.sampled_from(SEEDS[kind]))))).encode())


@pytest.mark.parametrize("kind", LOADERS)
@SLOWLY
@given(data=st.data())
def test_files_made_from_the_table(kind: str, path: Path, data: st.DataObject) -> None:
    value = {"format": "1", "kind": kind, **data.draw(groups(KINDS[kind]))}
    load_or_mistakes(kind, path, json.dumps(value).encode())


@SLOWLY
@given(data=st.data())
def test_check_ends_in_order_or_with_mistakes(path: Path, capsys: pytest.CaptureFixture[str], data: st.DataObject) -> None:
    kind = data.draw(st.sampled_from(list(LOADERS)))
    path.write_bytes(data.draw(damaged(data.draw(st.sampled_from(BYTES[kind])))))
    assert main(["check", str(path)]) in (0, 2)
    assert "Traceback" not in capsys.readouterr().err


# what reads bytes or texts of the record: each says in its own errors what is wrong
OF_THE_RECORD: dict[str, Callable[[bytes], Any]] = {
    "document": read_document, "first line": read_genesis, "note": lambda source: open_note(source, []),
    "checkpoint": lambda source: read_body(source.decode("utf-8", "replace")),
    "verifier": lambda source: read_verifier(source.decode("utf-8", "replace")),
    "signer": lambda source: read_signer(source.decode("utf-8", "replace")),
}
LINES = [line for path in sorted(Path("tests/records/golden").iterdir()) for line in path.read_bytes().splitlines()]


@pytest.mark.parametrize("name", OF_THE_RECORD)
@SLOWLY
@given(data=st.data())
def test_readers_of_the_record(name: str, data: st.DataObject) -> None:
    source = data.draw(st.binary(max_size=200) | st.sampled_from(LINES).flatmap(damaged))
    try:
        OF_THE_RECORD[name](source)
    except (EolseqError, ValueError):  # a note's texts are values, not files
        return


JSON = st.recursive(st.none() | st.booleans() | st.integers() | st.text(max_size=20),
                    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(
                        st.sampled_from(("version", "keys", "roles", "key", "algorithm", "role", "holder", "scope")), inner), max_leaves=12)


@SLOWLY
@given(JSON)
def test_a_registry_of_anything(document: Any) -> None:
    try:
        read_registry(document)
    except EolseqError:
        return
