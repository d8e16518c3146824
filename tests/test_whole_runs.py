"""Whole runs in virtual time: sound units pass, stuck outputs end locked, refusals energise nothing, and the record of
each says what happened. All units and numbers are invented demo data.
"""

from __future__ import annotations

import json
from base64 import b64decode
from pathlib import Path

import pytest

from eolseq.bands.band import Outcome
from eolseq.records.audit import audit
from tests.rig import SEQUENCE, STATION, Rig


@pytest.mark.parametrize("serial", [f"DH6-{number:08d}" for number in range(1, 21)])
def test_sound_units_pass_whatever_the_noise(quick_path: Path, serial: str) -> None:
    with Rig(quick_path, serial=serial) as rig:
        assert rig.run().outcome is Outcome.PASS


STUCK = {
    # name: (instrument, fault); the output stays on after OFF, and with "silent" its own meter reads 0
    "withstand, says so": ("withstand", "stuck"), "withstand, hides it": ("withstand", "stuck-silent"),
    "supply, says so": ("power", "stuck"), "supply, hides it": ("power", "stuck-silent"),
}


@pytest.mark.parametrize(("instrument", "fault"), STUCK.values(), ids=STUCK.keys())
def test_a_stuck_output_ends_red_and_locked(quick_path: Path, instrument: str, fault: str) -> None:
    with Rig(quick_path) as rig:
        rig.world.set_fault(fault, instrument)
        result = rig.run()
        assert result.outcome is Outcome.FAULT
        assert rig.world.output_on(instrument), "the output is on, whatever the instrument says"
        lock = rig.log.locked()
        assert lock is not None and "DANGER" in lock.do
        assert rig.opened.door.voltage_possible and rig.world.guard.locked
        assert not rig.world.energised_at_unit(), "the contactor took the voltage off the unit"
    assert not audit(rig.log.path).findings


def entries(path: Path) -> list[dict[str, object]]:
    return [json.loads(b64decode(json.loads(line)["payload"])) for line in path.read_bytes().splitlines()]


def test_the_record_of_a_pass_tells_everything(quick_path: Path) -> None:
    with Rig(quick_path) as rig:
        result = rig.run()
        log = entries(rig.log.path)
    kinds = [entry["kind"] for entry in log]
    assert kinds[0] == "genesis" and kinds[1] == "begin" and kinds[-1] == "end"
    assert kinds.count("energise") == 7 and result.index == len(log) - 1
    begin, end = log[1], log[-1]
    assert begin["operator"] == "tester" and begin["mode"] == "simulated" and begin["attempt"] == 1
    assert begin["sequence"]["digest"] == SEQUENCE.digest  # type: ignore[index]
    assert len(begin["pages"]) == len(STATION.instruments) and any("interlock" in caution for caution in begin["cautions"])  # type: ignore[arg-type,union-attr]
    steps = end["steps"]
    assert [step["outcome"] for step in steps] == ["pass"] * 6  # type: ignore[index,union-attr]
    readings = [reading for step in steps for reading in step["readings"]]  # type: ignore[union-attr]
    logged = [entry for entry in log if entry["kind"] == "reading"]
    assert [r["value"] for r in readings] == [e["value"] for e in logged] and len(readings) == 13
    for reading in readings:
        assert reading["basis"] and reading["raw"] and reading["rule"] == "simple acceptance at 4:1"
        assert reading["instrument"]["serial"].startswith("SIM-") and reading["instrument"]["accuracy"]
        assert reading["uncertainty"].endswith(f"{reading['unit']}, k = 2")
        assert 0.99 < float(reading["conformance"]) < 1
    assert all(isinstance(value, str) for value in (r["value"] for r in readings))


def test_nothing_is_energised_before_its_entry_is_durable(quick_path: Path) -> None:
    with Rig(quick_path) as rig:
        order: list[str] = []
        rig.world.emit = lambda change: order.append("on") if change.get("output") == "on" else None
        append = rig.log.append

        def remember(entry: object, durable: bool = True) -> int:
            index = append(entry, durable)  # type: ignore[arg-type]
            order.append(type(entry).kind)  # type: ignore[attr-defined]
            return index

        rig.log.append = remember  # type: ignore[method-assign]
        rig.run()
    assert order.count("on") == 7
    assert all(order[at - 1] == "energise" for at, what in enumerate(order) if what == "on")
    assert order[0] == "begin" and order[-1] == "end"


def test_a_second_run_is_the_second_attempt(quick_path: Path) -> None:
    with Rig(quick_path, defect="poor-bond") as rig:
        assert rig.run().outcome is Outcome.FAIL
        rig.world.load(rig.serial)
        result = rig.run()
        assert result.outcome is Outcome.PASS and result.attempt == 2
        end = entries(rig.log.path)[-1]
    assert end["attempt"] == 2 and end["earlier_count"] == 1
    assert [each["outcome"] for each in end["earlier"]] == ["fail"]  # type: ignore[index,union-attr]


REFUSED = {
    "wrong serial": ("DH9-00000001", "tester", True, "does not belong to DH-6"),
    "over-long serial": ("DH6-" + "0" * 60, "tester", True, "does not belong"),
    "cautions not acknowledged": ("DH6-00000001", None, True, "not acknowledged"),
    "guard stays open": ("DH6-00000001", "tester", False, "was not closed within 60 s"),
}


@pytest.mark.parametrize(("serial", "operator", "closes", "words"), REFUSED.values(), ids=REFUSED.keys())
def test_a_refusal_energises_nothing_and_leaves_a_remark(quick_path: Path, serial: str, operator: str | None,
                                                         closes: bool, words: str) -> None:
    rig = Rig(quick_path)
    rig.world.guard.closes_by_itself = closes
    with rig:
        rig.serial, rig.operator = serial, operator
        result = rig.run()
        assert result.outcome is Outcome.REFUSED and words in result.sentence and result.index is None
        assert not any(change.get("output") == "on" for change in rig.world.changes)
        log = entries(rig.log.path)
    assert [entry["kind"] for entry in log] == ["genesis", "remark"]
    assert words in str(log[-1]["reason"])


def test_a_guard_that_is_never_seen_open_is_refused(quick_path: Path) -> None:
    with Rig(quick_path) as rig:
        assert rig.run().outcome is Outcome.PASS
        result = rig.run()  # the same unit again, without the guard having been opened
        assert result.outcome is Outcome.REFUSED and "was not seen open" in result.sentence


def test_the_same_run_twice_is_the_same_to_the_bit(quick_path: Path) -> None:
    found = []
    for name in ("one", "two"):
        with Rig(quick_path / name) as rig:
            result = rig.run()
            found.append(([str(j.reading) for _, v in result.steps for j in v.readings], rig.clock.monotonic(),
                          list(rig.world.changes)))
    assert found[0] == found[1]
