"""What an open log keeps of a unit in memory: a station that tests for a year must not fill it.

The bound is this project's own; there is no source for it.
"""

from __future__ import annotations

import gc
import tracemalloc

from eolseq.records.runs import Glance, RunBook

UNITS = 500
MOST = 1_550  # bytes a unit that passed and has its label printed, taken and read back: three entries beside its run


def text(value: str) -> str:
    """The same text as an object of its own, as each line that is read brings it."""
    return value.encode().decode()


def note_unit(book: RunBook, index: int, number: int) -> int:
    """Take in a unit that passed, with ten outputs and its label; the next entry's index."""
    serial, began = f"DH6-{number:08d}", index

    def note(kind: str, **fields: object) -> None:
        nonlocal index
        time = f"2026-01-05T06:00:00.{index % 1_000_000:06d}Z"
        shown = {name: text(value) if isinstance(value, str) else value for name, value in fields.items()}
        book.note(index, index.to_bytes(32, "big"), Glance(kind, time, shown))
        index += 1

    note("begin", serial=serial, attempt=1, mode="simulated", trial="no", bay="bay-1")
    for _ in range(10):
        note("energise", run=began, kind_of_step="ground_bond")
    note("end", run=began, serial=serial, outcome="pass")
    end = index - 1
    for event in ("print", "printed", "read back"):
        note("label", serial=serial, event=event, end=end, copy=1, of="unit")
    return index


def test_what_an_open_log_keeps_of_a_unit_is_bounded() -> None:
    book, index = RunBook(), 0
    for number in range(100):
        index = note_unit(book, index, number)
    gc.collect()
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        for number in range(100, 100 + UNITS):
            index = note_unit(book, index, number)
        gc.collect()
        grown = (tracemalloc.get_traced_memory()[0] - before) / UNITS
    finally:
        tracemalloc.stop()
    print(f"{grown:.0f} bytes a unit")
    assert len(book.runs) == UNITS + 100
    assert [each.event for each in book.labels("DH6-00000100")] == ["print", "printed", "read back"]
    assert grown < MOST
