"""A few rows of the table of faults over real sockets and a real pseudo-terminal, put in after energise.

The program, the simulated station and the clock are real here; what must come of each is what the table says. How
long voltage stays is held by tests that run alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from eolseq.records.audit import audit
from tests.safety.fault_table import EARTH, FAN_METER, FAN_SOURCE, LOCKED, PASS, TABLE, WITHSTAND
from tests.safety.real import TRIAL_PASSED, Bench, bench_at, short_sequence

pytestmark = pytest.mark.real_lines

PARTS = {EARTH: "continuity", WITHSTAND: "withstand", FAN_SOURCE: "power", FAN_METER: "power"}
"""Place -> the source whose output is on then; the continuity tester hangs on a serial line, the others on sockets."""

CHOSEN = [
    # place, fault, its number
    (EARTH, "split-at", 7), (EARTH, "slow", 0.02), (EARTH, "garbled", None), (EARTH, "refused", None),
    (WITHSTAND, "split-at", 3), (WITHSTAND, "slow", 0.05), (WITHSTAND, "truncated", 9), (WITHSTAND, "overloaded", None),
    (WITHSTAND, "late", 0.5), (FAN_METER, "garbled", None), (FAN_METER, "late", 1.5), (FAN_SOURCE, "split", 0.0005),
]


@pytest.fixture
def bench(quick_path: Path) -> Iterator[Bench]:
    """A bench of its own for each test."""
    with bench_at(quick_path) as made:
        yield made


def ended(bench: Bench) -> tuple[str, dict[str, Any]]:
    """What the last run came to, in the table's words, and its entry."""
    kinds = [entry["kind"] for entry in bench.entries()]
    end = [entry for entry in bench.entries() if entry["kind"] == "end"][-1]
    return end["outcome"] + (", locked" if "lock" in kinds else ""), end


@pytest.mark.parametrize(("place", "fault", "number"), CHOSEN, ids=[f"{p}, {f}" for p, f, _ in CHOSEN])
def test_over_real_lines(bench: Bench, place: str, fault: str, number: float | None) -> None:
    kind, _, instrument = place.partition(" by ")
    program = bench.start(short_sequence(bench.folder, kind))
    bench.simulator.await_event(lambda event: event.get("output") == "on" and event["name"] == PARTS[place])
    bench.simulator.order(fault={"name": fault, "instrument": instrument, "number": number})
    code = program.ends()
    outcome, end = ended(bench)
    assert outcome == TABLE[fault].on[place], program.text
    assert code == (TRIAL_PASSED if outcome == PASS else 5 if outcome.startswith("fault") else 1)
    bench.simulator.catch_up()
    assert not bench.simulator.outputs() or (outcome == LOCKED and not bench.simulator.contactor_closed())
    for step in end["steps"]:
        for reading in step["readings"]:
            assert "~" not in reading["raw"] or reading["value"] is None, "what came garbled is no number"
    assert not audit(bench.records / "log.jsonl").findings
