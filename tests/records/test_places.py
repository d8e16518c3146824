"""What is read again from its place in an open log is what it was when the log was opened, or nothing."""

from __future__ import annotations

from pathlib import Path

import pytest

from eolseq.errors import RecordFault
from eolseq.records.line_entries import Void
from eolseq.records.reader import Records
from tests.records.samples import begin, end, open_log

SERIAL = "DH6-00000001"


@pytest.fixture
def records(quick_path: Path) -> Records:
    """A log with a run and a void on its unit, read."""
    with open_log(quick_path) as log:
        run = log.append(begin(log, SERIAL))
        last = log.append(end(log, run, SERIAL, "pass"))
        log.append(Void(serial=SERIAL, run=last, by="q-01", reason="A leak was found later."))
        log.checkpoint()
    return Records.open(quick_path / "records")


def test_what_is_asked_for_later_is_read_from_its_place(records: Records) -> None:
    (void,) = records.about(SERIAL)
    assert void.payload["reason"] == "A leak was found later."
    assert records.documents[0].payload["kind"] == "genesis"


@pytest.mark.parametrize("at", [0, 20, -2])
def test_a_line_that_was_changed_since_is_not_believed(records: Records, at: int) -> None:
    data = records.path.read_bytes()
    lines = data.splitlines(keepends=True)
    changed = bytearray(lines[-1])
    changed[at] ^= 1
    records.path.write_bytes(b"".join([*lines[:-1], bytes(changed)]))
    (void,) = records.about(SERIAL)
    with pytest.raises(RecordFault, match="is not what it was"):
        _ = void.payload


def test_a_log_that_is_gone_says_so(records: Records) -> None:
    (void,) = records.about(SERIAL)
    records.path.unlink()
    with pytest.raises(RecordFault, match="cannot be read"):
        _ = void.payload
