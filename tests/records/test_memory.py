"""What an open log takes of memory: a station that tests for a year must not fill it; and what follows when it cannot
be kept.

The bounds are this project's own; there is no source for them.
"""

from __future__ import annotations

import gc
import resource
import subprocess
import sys
import tracemalloc
from pathlib import Path

import pytest

from eolseq.errors import RecordFault
from eolseq.records import entries, kept
from eolseq.records.label_entries import LabelFate, LabelPrint
from eolseq.records.log import Log
from eolseq.records.reader import Records
from eolseq.records.runs import Glance
from eolseq.records.scan import scan
from tests.records.samples import begin, end, energise, open_log, whole_run

UNITS = 20_000  # fill the cache of 8 MB, with about 500 bytes for each
MOST = 20  # bytes a unit, of which nothing is kept in truth; an allocator is no scales

# A process of its own, since only its whole size has the database in it, which is no Python object.
COURSE = f"""
import sys
from pathlib import Path
from tests.records.test_memory import note_unit
from eolseq.records.book import RunBook

def size():
    return int(Path("/proc/self/status").read_text().split("VmRSS:")[1].split()[0]) * 1024

book, index = RunBook(Path("no log")), 1
for number in range({UNITS}):
    index = note_unit(book, index, number)
book.settle()
before = size()
for number in range({UNITS}, {2 * UNITS}):
    index = note_unit(book, index, number)
book.settle()
print((size() - before) / {UNITS}, book.runs_since(0), len(book.labels("DH6-00000100")))
"""


def text(value: str) -> str:
    """The same text as an object of its own, as each line that is read brings it."""
    return value.encode().decode()


def note_unit(book: object, index: int, number: int) -> int:
    """Take in a unit that passed and has its label printed, taken and read back; the next entry's index."""
    serial, began = f"DH6-{number:08d}", index

    def note(kind: str, **fields: object) -> None:
        nonlocal index
        time = f"2026-01-05T06:00:00.{index % 1_000_000:06d}Z"
        shown = {name: text(value) if isinstance(value, str) else value for name, value in fields.items()}
        book.note(index, index.to_bytes(32, "big"), Glance(kind, time, shown))  # type: ignore[attr-defined]
        index += 1

    note("begin", serial=serial, attempt=1, mode="simulated", trial="no", bay="bay-1")
    note("energise", run=began, kind_of_step="ground_bond")
    note("end", run=began, serial=serial, outcome="pass")
    last = index - 1
    for event in ("print", "printed", "read back"):
        note("label", serial=serial, event=event, end=last, copy=1, of="unit")
    return index


def test_an_open_log_takes_no_more_memory_for_more_units() -> None:
    said = subprocess.run([sys.executable, "-c", COURSE], check=True, capture_output=True, text=True,
                          cwd=Path(__file__).parents[2]).stdout.split()
    print(f"{float(said[0]):.1f} bytes a unit")
    assert said[1:] == [str(2 * UNITS), "3"], "every unit is still answered for"
    assert float(said[0]) < MOST


def fill(log: Log, units: int) -> None:
    """Units that passed, each with its label, and the check of a shift for every hundred."""
    for number in range(units):
        serial = f"DH6-{number:08d}"
        last = whole_run(log, serial)
        at = log.append(LabelPrint(serial=serial, end=last, copy=1, of="unit", reason=None, by=None, printer="folder",
                                   digest="00" * 32, code="x" * 231, said={"model": "DHC-6"}), durable=False)
        log.append(LabelFate(serial=serial, event="printed", end=last, copy=1, of="unit", label=at, reason=None,
                             by=None), durable=False)
        if number % 100 == 0:
            log.append(entries.Verification(instrument=entries.InstrumentNamed("wt", "WT-5", "1001"), outcome="pass",
                                            sentence="It reads the known load right. " * 40), durable=False)


def objects_of(path: Path) -> int:
    """Bytes of Python's memory that are in use after a log was opened and its documents were gone through."""
    gc.collect()
    tracemalloc.start()
    try:
        found = scan(path)
        assert [each.payload["kind"] for each in found.book.documents][:2] == ["genesis", "verification"]
        gc.collect()
        return tracemalloc.get_traced_memory()[0]
    finally:
        tracemalloc.stop()


def test_a_log_that_is_opened_again_keeps_no_object_for_its_units(tmp_path: Path) -> None:
    sizes = []
    for units in (100, 500):
        with open_log(tmp_path / str(units)) as log:
            fill(log, units)
            log.checkpoint()
        objects_of(log.path)  # what is made once, such as patterns, is made here
        sizes.append(objects_of(log.path))
    print(f"{(sizes[1] - sizes[0]) / 400:.1f} bytes a unit")
    assert (sizes[1] - sizes[0]) / 400 < MOST


# -- when it cannot be kept ---------------------------------------------------------------------------------------


def test_a_log_is_not_opened_where_temporary_files_find_no_space(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with open_log(tmp_path) as log:
        for number in range(300):
            whole_run(log, f"DH6-{number:08d}")
        log.checkpoint()
    monkeypatch.setattr(kept, "CACHE", 8 << 10)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (16 << 10, before[1]))  # no file that is written may be longer
    try:
        for opened in (lambda: Records.open(tmp_path / "records"), lambda: open_log(tmp_path)):
            with pytest.raises(RecordFault, match="cannot be kept in temporary files") as raised:
                opened()
            assert "Free space on the disk of the folder for temporary files" in raised.value.do
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    with open_log(tmp_path) as log:
        assert len(log.runs("DH6-00000299")) == 1, "the log itself is as it was"


@pytest.mark.parametrize("together", [1, 500])
def test_a_log_that_cannot_keep_what_it_wrote_writes_no_more(together: int, tmp_path: Path,
                                                             monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(kept, "_TOGETHER", together)  # found as an entry is taken in, or as the next unit is asked for
    with open_log(tmp_path) as log:
        whole_run(log)
        waiting, run = log.append(begin(log, "DH6-00000002")), log.append(begin(log, "DH6-00000003"))
        log._found.book._kept._database.execute("PRAGMA max_page_count = 1")  # SQLite's own way to a full disk
        for number in range(3, 200):
            fault, run = _until_full(log, run, f"DH6-{number:08d}")
            if fault is not None:
                break
        else:
            pytest.fail("the database never was full")
        assert ("was written but could not be taken in" in fault.what) is (together == 1)
        written = log.path.read_bytes()
        for late in (energise(waiting), entries.Remark(serial=None, reason="still there?")):
            with pytest.raises(RecordFault, match="not written any more") as raised:
                log.append(late)
            assert "Keep voltage off" in raised.value.do
        for asked in (lambda: log.runs("DH6-00000001"), lambda: log.withstand_applications("DH6-00000002"),
                      lambda: log.documents[0], log.checkpoint):
            with pytest.raises(RecordFault):
                asked()
        assert log.path.read_bytes() == written
    with open_log(tmp_path) as log:  # what was written before it broke stands, and is known again
        assert log.open_runs()[0].index == waiting
        assert [each.outcome for each in log.runs("DH6-00000001")] == ["pass"]
        assert log.size == len(written.splitlines())


def _until_full(log: Log, run: int, serial: str) -> tuple[RecordFault | None, int]:
    """End a run and begin the next; the fault when the database was full, else the new run."""
    try:
        log.append(end(log, run, serial))
        return None, log.append(begin(log, f"DH6-{int(serial[-8:]) + 1:08d}"))
    except RecordFault as fault:
        return fault, run
