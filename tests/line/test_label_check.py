"""A scanned label held against a log: what is altered is told from a log that was rewritten, which it convicts."""

from __future__ import annotations

import dataclasses
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from eolseq.commands.labelling import Why
from eolseq.line.label_check import ALTERED, REWRITTEN, RIGHT, SUPERSEDED, WRONG, check_label
from eolseq.line.label_code import LabelCode, read_code
from eolseq.line.unit_state import state_of
from eolseq.records.checkpoint import Checkpoint, sign_checkpoint
from eolseq.records.label_entries import LabelFate, LabelPrint
from eolseq.records.line_entries import Void
from eolseq.records.log import Log
from eolseq.records.merkle import leaf_hash, root_of
from eolseq.records.reader import Records
from tests.line.labels import SEQUENCE, SERIAL, MemoryPrinter, log_with, paper
from tests.records.samples import KEY, ORIGIN, open_log, whole_run


def labelled(folder: Path) -> LabelCode:
    """A log with a labelled pass, and the label's code."""
    with log_with(folder) as log:
        whole_run(log, "DH6-00000002")
        text = paper(MemoryPrinter()).label(log, SEQUENCE, SERIAL).printed.code
        log.checkpoint()
    return read_code(text)


def verdict(code: LabelCode, folder: Path) -> str:
    return check_label(code, Records.open(folder / "records")).word


def test_a_label_is_right_and_names_its_entry(tmp_path: Path) -> None:
    code = labelled(tmp_path)
    found = check_label(code, Records.open(tmp_path / "records"))
    assert found.good and found.word == RIGHT
    assert found.entry is not None
    with open_log(tmp_path) as log:
        assert log.size > found.entry
        assert state_of(log, SERIAL).passed is not None
    assert f"entry {found.entry}" in found.sentence and "SIMULATED" in found.sentence


ALTERATIONS: dict[str, Callable[[LabelCode], LabelCode]] = {
    "its serial": lambda code: dataclasses.replace(code, serial="DH6-00000002"),
    "its index": lambda code: dataclasses.replace(code, index=code.index + 4),
    "its size": lambda code: dataclasses.replace(code, checkpoint=dataclasses.replace(
        code.checkpoint, size=code.checkpoint.size + 1)),
    "its root": lambda code: dataclasses.replace(code, checkpoint=dataclasses.replace(
        code.checkpoint, root=bytes(32))),
    "its copy": lambda code: dataclasses.replace(code, copy=2),
    "its purpose": lambda code: dataclasses.replace(code, of="carton"),
    "SIMULATED": lambda code: dataclasses.replace(code, simulated=False),
    "its signature": lambda code: dataclasses.replace(code, signature=bytes(64)),
}


@pytest.mark.parametrize("what", ALTERATIONS)
def test_an_altered_label_is_told(what: str, tmp_path: Path) -> None:
    code = labelled(tmp_path)
    assert verdict(ALTERATIONS[what](code), tmp_path) == ALTERED


def test_a_label_of_another_log_is_told(tmp_path: Path) -> None:
    code = labelled(tmp_path)
    at = Checkpoint("aldervale.example/bench-2/0123456789abcdef", code.checkpoint.size, code.checkpoint.root)
    assert verdict(dataclasses.replace(code, checkpoint=at), tmp_path) == WRONG


def test_a_log_that_was_cut_off_is_convicted(tmp_path: Path) -> None:
    """Whoever has the station's key cuts the log back and signs a new checkpoint: everything in it holds, but the label."""
    code = labelled(tmp_path)
    path = tmp_path / "records" / "log.jsonl"
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:1]))
    (tmp_path / "records" / "checkpoint").unlink()
    with open_log(tmp_path) as log:
        log.checkpoint()
    assert verdict(code, tmp_path) == REWRITTEN


def test_a_log_that_was_rewritten_with_the_station_s_own_key_is_convicted(tmp_path: Path) -> None:
    """Other runs in the place of those there were, all of them signed, and the labelled one among them."""
    code = labelled(tmp_path)
    shutil.rmtree(tmp_path / "records")
    with open_log(tmp_path) as log:
        whole_run(log, "DH6-00000003")
        whole_run(log, SERIAL)
        whole_run(log, "DH6-00000002")
        log.checkpoint()
        assert log.size >= code.checkpoint.size
    assert verdict(code, tmp_path) == REWRITTEN


def test_a_log_that_leaves_the_label_s_entry_out_is_convicted(tmp_path: Path) -> None:
    """The signed part is kept as it was; the label's entry after it is gone."""
    code = labelled(tmp_path)
    path = tmp_path / "records" / "log.jsonl"
    path.write_bytes(b"".join(path.read_bytes().splitlines(keepends=True)[:code.checkpoint.size]))
    (tmp_path / "records" / "checkpoint").write_bytes(resigned(tmp_path))
    with open_log(tmp_path) as log:
        whole_run(log, "DH6-00000004")
        log.checkpoint()
    assert verdict(code, tmp_path) == REWRITTEN


def resigned(folder: Path) -> bytes:
    """The checkpoint as a forger with the station's key would write it over the log as it is now."""
    lines = (folder / "records" / "log.jsonl").read_bytes().splitlines()
    return sign_checkpoint(Checkpoint(ORIGIN, len(lines), root_of([leaf_hash(line) for line in lines])), KEY)


def copied(log: Log) -> None:
    paper(MemoryPrinter()).label(log, SEQUENCE, SERIAL, why=Why("smeared", "op-07", "destroyed"))


def voided(log: Log) -> None:
    log.append(Void(serial=SERIAL, run=4, reason="covers opened", by="op-07"))


def failed(log: Log) -> None:
    whole_run(log, SERIAL, "fail")


def destroyed(log: Log) -> None:
    seen = log.labels(SERIAL)[0]
    log.append(LabelFate(serial=SERIAL, event="destroyed", end=seen.end, copy=1, of="unit", label=seen.index, reason=None,
                         by="op-07"))


@pytest.mark.parametrize("later", [copied, voided, failed, destroyed])
def test_a_label_that_something_later_speaks_against_counts_no_more(later: Callable[[Log], None], tmp_path: Path) -> None:
    code = labelled(tmp_path)
    with open_log(tmp_path) as log:
        later(log)
        log.checkpoint()
    found = check_label(code, Records.open(tmp_path / "records"))
    assert found.word == SUPERSEDED and "Take this label off" in found.sentence and not found.good


def test_a_code_that_the_station_signed_but_never_printed_convicts_the_log(tmp_path: Path) -> None:
    code = labelled(tmp_path)
    with open_log(tmp_path) as log:
        forged = dataclasses.replace(code, serial="DH6-00000002", index=8, copy=1)
        forged = dataclasses.replace(forged, signature=log.vouch(forged.signed_text()))
        log.append(LabelPrint(serial="DH6-00000002", end=8, copy=1, of="unit", reason=None, by=None, printer="x",
                              digest="00", code="something else", said={}))
        log.checkpoint()
    assert verdict(forged, tmp_path) == REWRITTEN
