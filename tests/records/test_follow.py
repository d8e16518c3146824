"""A log read on while it grows, and told at once when it is not what it was."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from tempfile import mkdtemp

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.errors import RecordFault, WrongUse
from eolseq.records import follow
from eolseq.records.follow import Follower
from eolseq.records.reader import Records
from tests.records.samples import DEBRIS, open_log, whole_run


@pytest.fixture
def folder(quick_path: Path) -> Path:
    with open_log(quick_path) as log:
        whole_run(log)
        log.checkpoint()
    return quick_path / "records"


def grow(folder: Path, runs: int = 1) -> None:
    with open_log(folder.parent) as log:
        for _ in range(runs):
            whole_run(log)
        log.checkpoint()


def test_what_is_added_comes_once_and_in_order(folder: Path) -> None:
    follower = Follower(folder)
    assert follower.more() == []
    before = follower.size
    grow(folder, 2)
    new = follower.more()
    assert [index for index, _ in new] == list(range(before, before + len(new)))
    assert [entry["kind"] for _, entry in new if entry["kind"] in ("begin", "end")] == ["begin", "end"] * 2
    assert follower.more() == []
    whole = Records.open(folder)
    assert (follower.size, follower.root) == (whole.size, whole.root)


@given(st.lists(st.integers(1, 4000), max_size=12))
@settings(max_examples=10, deadline=None)
def test_however_a_growing_file_is_cut_the_entries_are_the_same(golden_cuts: list[int]) -> None:
    """The golden log, which has a scar, handed over in pieces of any length."""
    golden = Path(__file__).parent / "golden"
    data, folder = (golden / "log.jsonl").read_bytes(), Path(mkdtemp(dir="/dev/shm"))
    try:
        start = data.index(b"\n") + 1
        (folder / "log.jsonl").write_bytes(data[:start])
        follower, found = Follower(folder), []
        with (folder / "log.jsonl").open("ab") as stream:
            for cut in (*golden_cuts, len(data)):
                stream.write(data[start:start + cut])
                stream.flush()
                start += cut
                found += follower.more()
        shutil.copyfile(golden / "checkpoint", folder / "checkpoint")
        whole = Records.open(folder)
        assert [index for index, _ in found] == list(range(1, whole.size))
        assert (follower.size, follower.root) == (whole.size, whole.root)
    finally:
        shutil.rmtree(folder)


def test_half_a_line_is_waited_for(folder: Path) -> None:
    follower = Follower(folder)
    with (folder / "log.jsonl").open("ab") as stream:
        stream.write(DEBRIS)
    assert follower.more() == [] and follower.more() == []


def shorter(log: Path) -> None:
    data = log.read_bytes()
    with log.open("r+b") as stream:
        stream.truncate(len(data) - 40)


def changed_inside(log: Path) -> None:
    with log.open("r+b") as stream:
        stream.seek(log.stat().st_size // 2)
        was = stream.read(1)
        stream.seek(-1, 1)
        stream.write(b"A" if was != b"A" else b"B")


def another_file(log: Path) -> None:
    shutil.copyfile(log, log.with_name("copy"))
    log.with_name("copy").replace(log)


def not_signed(log: Path) -> None:
    line = log.read_bytes().splitlines(keepends=True)[-1]
    with log.open("ab") as stream:
        stream.write(line)


def written_anew(log: Path) -> None:
    shorter(log)
    with log.open("ab") as stream:
        stream.write(b"x" * 39 + b"\n")


HURTS: dict[str, tuple[Callable[[Path], None], str]] = {
    "shorter": (shorter, "became shorter"), "changed inside": (changed_inside, "was changed"),
    "another file": (another_file, "another file"), "a line not signed for its place": (not_signed, "is damaged"),
    "its end written anew": (written_anew, "was changed"),
}


@pytest.mark.parametrize("piece", [1 << 20, 500])
@pytest.mark.parametrize("hurt", HURTS)
def test_a_log_that_is_not_what_it_was_is_told_and_stays_so(folder: Path, hurt: str, piece: int,
                                                           monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(follow, "PIECE", piece)
    do, said = HURTS[hurt]
    follower, good = Follower(folder), (folder / "log.jsonl").read_bytes()
    assert follower.more() == []
    do(folder / "log.jsonl")
    with pytest.raises(RecordFault, match=said):
        for _ in range(2 + 2 * (len(good) // piece + 1)):
            follower.more()
    (folder / "log.jsonl").write_bytes(good)
    with pytest.raises(RecordFault, match=said):
        follower.more()


def test_a_log_that_is_gone_for_a_moment_is_no_more_than_that(folder: Path) -> None:
    follower, log = Follower(folder), folder / "log.jsonl"
    log.rename(folder / "away")
    with pytest.raises(RecordFault, match="cannot be read"):
        follower.more()
    (folder / "away").rename(log)
    assert follower.more() == []


def test_no_log(tmp_path: Path) -> None:
    with pytest.raises(WrongUse, match="no log"):
        Follower(tmp_path)
