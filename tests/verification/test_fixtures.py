"""Fixtures: coded plug, zero, baseline without a unit, cycles, inspection; and the tester's own count. Invented plant."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from datetime import timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.engine.events import Cautions, Instruction
from eolseq.errors import StationFault
from eolseq.records.fixture_entries import Fixture
from eolseq.records.reader import Records
from eolseq.records.tail import newest_first
from eolseq.sequence.load import load_sequence
from eolseq.station.fixture_fields import FixtureRules
from eolseq.verification.counters import KINDS, counter_reason, counts_back
from eolseq.verification.fixtures import Now, fixture_reasons, mounted, told_of, zeros_now
from eolseq.verification.standing import Reason
from tests.rig import ROOT
from tests.verification.fixture_rig import COUNTING, NEVER, FixtureRig


@pytest.fixture
def make(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    rigs: list[FixtureRig] = []

    def one(**changes: Any) -> FixtureRig:
        rigs.append(FixtureRig(tmp_path, monkeypatch, **changes))
        rigs[-1].open()
        return rigs[-1]

    yield one
    for rig in rigs:
        rig.close()


def inspected(rig: FixtureRig) -> None:
    rig.log.append(Fixture(fixture="nest-6", what="inspected", outcome="pass", sentence="clean", by="m-1",
                           station_digest=rig.station.digest))


def ready(rig: FixtureRig) -> None:
    inspected(rig)
    assert rig.measured("baseline", "empty")[0].outcome is Outcome.PASS


def test_a_fixture_is_refused_until_inspected_and_measured_then_until_it_is_worn(make: Any) -> None:
    rig = make()
    first = rig.gated()
    assert first.outcome is Outcome.REFUSED
    assert "nest-6 was never inspected" in first.sentence and "baseline" in first.sentence
    ready(rig)
    assert [rig.gated(f"DH6-0000000{n}").outcome for n in (1, 2)] == [Outcome.PASS, Outcome.PASS]
    worn = rig.gated("DH6-00000003")
    assert worn.outcome is Outcome.REFUSED and "used for 2 units" in worn.sentence and "inspect nest-6" in worn.sentence
    inspected(rig)
    assert rig.gated("DH6-00000003").outcome is Outcome.PASS
    kinds = [(each.fixture, each.what) for each in told_of(rig.log.documents)]
    assert kinds.count(("nest-6", "mounted")) == 1


def test_the_plug_must_be_that_of_the_sequence(make: Any) -> None:
    rig = make()
    ready(rig)
    cases = {"the other fixture's": (10e3, "nest-3, which does not take DH-6"), "unknown": (6.8e3, "none that this"),
             "pulled": (0.0, "plug of fixture nest-6 is not seen"), "a tenth off": (5.17e3, "none that this")}
    on_before = sum(change.get("output") == "on" for change in rig.world.changes)
    for name, (ohms, words) in cases.items():
        rig.world.fixture.plug = ohms
        result = rig.gated()
        assert result.outcome is Outcome.REFUSED and words in result.sentence, name
    assert on_before > 0 and sum(change.get("output") == "on" for change in rig.world.changes) == on_before
    rig.world.fixture.plug = 4.7e3
    assert rig.gated().outcome is Outcome.PASS


@pytest.mark.parametrize(("pallet", "outcome"), [(1e9, Outcome.PASS), (2.0, Outcome.FAIL), (0.05, Outcome.FAIL)])
def test_no_bond_test_while_there_is_an_accidental_earth(make: Any, pallet: float, outcome: Outcome) -> None:
    rig = make()
    inspected(rig)
    rig.world.fixture.pallet = pallet
    result, index = rig.measured("baseline", "empty")
    assert result.outcome is outcome and index is not None
    assert ("accidental earth" in result.sentence) is (outcome is Outcome.FAIL)
    rig.world.fixture.pallet = 1e9  # even if it is gone by now: it was not shown
    after = rig.gated()
    assert after.outcome is (Outcome.PASS if outcome is Outcome.PASS else Outcome.REFUSED)
    assert ("not in order" in after.sentence) is (outcome is Outcome.FAIL)


@pytest.mark.parametrize(("what", "fit"), [("baseline", "empty"), ("zero", "shorted")])
def test_nobody_is_told_to_connect_a_unit_and_cautions_come_first(make: Any, what: str, fit: str) -> None:
    rig = make(in_bay="  plug: 4.7 kohm\n  contacts: 30 mohm\n")
    rig.measured(what, fit)
    words = [each.text for each in rig.events if isinstance(each, Instruction)]
    assert words and not any("connect the unit" in each for each in words)
    cautions = next(at for at, each in enumerate(rig.events) if isinstance(each, Cautions))
    assert not any(getattr(each, "voltage_possible", False) for each in rig.events[:cautions])
    rig.operator, before = None, len(rig.world.changes)
    result, index = rig.measured(what, fit)
    assert (result.outcome, index) == (Outcome.REFUSED, None)
    assert not any(each.get("output") == "on" for each in list(rig.world.changes)[before:])


def test_a_unit_left_in_the_fixture_is_no_baseline(make: Any) -> None:
    rig = make()
    result, _ = rig.measured("baseline", "unit")
    assert result.outcome is Outcome.FAIL


@pytest.mark.parametrize(("contacts", "outcome"), [(0.03, "pass"), (0.002, "fail"), (0.09, "fail")])
def test_a_zero_is_measured_in_its_band_and_used(make: Any, contacts: float, outcome: str) -> None:
    rig = make()
    rig.world.fixture.contacts = contacts
    result, index = rig.measured("zero", "shorted")
    assert str(result.outcome) == outcome and index is not None
    zeros = zeros_now({}, rig.station.fixtures, told_of(rig.log.documents))
    if outcome == "fail":
        assert zeros == {}
        return
    assert float(zeros["nest-6"].at("front-panel", rig.clock.now().date())) == pytest.approx(contacts, rel=0.02)
    with pytest.raises(StationFault, match="is good from"):
        zeros["nest-6"].at("front-panel", rig.clock.now().date() + timedelta(days=31))
    assert not rig.opened.door.voltage_possible


def test_a_measured_zero_is_taken_off_a_two_wire_reading(make: Any) -> None:
    rig = make()
    text = (ROOT / "sequences/duct-heater-6kw.yaml").read_text("utf-8")
    path = Path(rig.station.records).parent / "two.yaml"
    path.write_text(text.replace("wires: four", "wires: two\n    zero: nest-6"), "utf-8")
    rig.sequence = load_sequence(path)
    ready(rig)
    refused = rig.gated()
    assert refused.outcome is Outcome.REFUSED and "zero of fixture nest-6 was never measured" in refused.sentence
    assert rig.measured("zero", "shorted")[0].outcome is Outcome.PASS
    rig.opened.measured_zeros = {"bay-1": zeros_now({}, rig.station.fixtures, told_of(rig.log.documents))}
    result = rig.gated()
    values = {each.name: each.reading.value for each in result.steps[0][1].readings}
    assert result.outcome is Outcome.PASS
    assert float(values["resistance front-panel"]) == pytest.approx(0.025, abs=0.002)


def test_what_is_out_of_date_is_refused(make: Any) -> None:
    rig = make()
    ready(rig)
    assert rig.gated().outcome is Outcome.PASS
    today = rig.clock.now().date()
    rules, told = rig.station.fixtures[0], told_of(rig.log.documents)
    for days, words in ((0, []), (7, []), (8, ["baseline without a unit"]), (91, ["inspection", "baseline"])):
        found = fixture_reasons(rules, Now(today + timedelta(days=days), told, rig.log.runs_since))
        assert len(found) == len(words) and all(w in each.what for w, each in zip(words, found, strict=True)), days


def test_which_fixture_is_meant() -> None:
    six, three = FixtureRules("six", ("DH-6",)), FixtureRules("three", ("DH-3", "DH-9"))
    assert mounted((six, three), ("DH-6",), None) is six
    assert mounted((six, three), ("DH-3", "DH-9"), None) is three
    none = mounted((six, three), ("DH-6", "DH-3"), None)
    assert isinstance(none, Reason) and "No fixture" in none.what
    assert mounted((six, three), ("DH-6",), Decimal(1)) != six


# -- the tester's own count -----------------------------------------------------------------------------------------


def counters(rig: FixtureRig) -> list[tuple[str, Any]]:
    found = []
    for _, payload in Records.open(Path(rig.station.records)).payloads(frozenset({"begin", "end"})):
        mine = next(each for each in payload["instruments"] if each["name"] == "withstand")
        found.append((payload["kind"], mine["counter"]))
    return found


def test_a_use_outside_the_program_is_refused_until_the_tester_was_verified(make: Any) -> None:
    from eolseq.records.entries import InstrumentNamed, Verification

    rig = make(counting=True, checks=NEVER, fixtures="")
    assert [rig.gated().outcome for _ in range(2)] == [Outcome.PASS, Outcome.PASS]
    seen = counters(rig)
    assert [kind for kind, _ in seen] == ["begin", "end"] * 2
    first, second = seen[1][1], seen[3][1]
    assert seen[0][1] == 0 and first > 0 and seen[2][1] == first and second == 2 * first
    rig.world.sources["withstand"].tests += 3
    refused = rig.gated()
    assert refused.outcome is Outcome.REFUSED and "3 tests were made outside the program" in refused.sentence
    identity = rig.opened.identities["withstand"]
    named = InstrumentNamed("withstand", identity.model, identity.serial, second + 3)
    rig.log.append(Verification(instrument=named, outcome="fail", sentence="no", run=None))
    assert rig.gated().outcome is Outcome.REFUSED
    rig.log.append(Verification(instrument=named, outcome="pass", sentence="held", run=None))
    assert rig.gated().outcome is Outcome.PASS
    rig.world.sources["withstand"].tests -= 1
    assert "went back" in rig.gated().sentence


def test_a_run_that_was_cut_off_may_have_moved_the_count(make: Any) -> None:
    rig = make(counting=True, checks=NEVER, fixtures="")
    assert rig.gated().outcome is Outcome.PASS
    tester = rig.world.sources["withstand"]
    before = tester.tests
    rig.clock.probe = lambda _: rig.world.open_guard() if tester.tests > before else None
    assert rig.gated("DH6-00000002").outcome is Outcome.STOPPED and tester.tests == before + 1
    identity = rig.opened.identities["withstand"]
    said = counts_back("withstand", identity.model, identity.serial,
                       newest_first(rig.log.path, rig.log.origin, KINDS))
    moved = {more: counter_reason("withstand", tester.tests + more, said) for more in (0, 1)}
    assert moved[0] is None and moved[1] is not None


def entry(kind: str, serial: str = "DH6-1", counter: int | None = None, **more: Any) -> dict[str, Any]:
    named = {"name": "wt", "model": "M", "serial": "S", "counter": counter}
    return {"kind": kind, "serial": serial, "instruments": [named], "instrument": named, "outcome": "pass",
            "source": "wt", **more}


UNIT = [entry("begin", counter=5), entry("energise"), entry("end", counter=6)]
REFERENCE = [entry("begin", "REFERENCE-GOOD", 6), entry("energise"), entry("end", "REFERENCE-GOOD", 7)]
COUNTS: dict[str, tuple[list[dict[str, Any]], int, str]] = {
    "nothing is known": ([], 40, ""),
    "as it was": (UNIT, 6, ""),
    "used between": (UNIT, 8, "2 tests were made outside"),
    "it went back": (UNIT, 3, "went back"),
    "a reference unit after it": ([*UNIT, *REFERENCE], 7, ""),
    "used before a reference unit, which no gate saw": (
        [*UNIT, entry("begin", "REFERENCE-GOOD", 9), entry("energise"), entry("end", "REFERENCE-GOOD", 10)], 10, "3 tests"),
    "verified since": ([*UNIT, entry("begin", "REFERENCE-KNOWN-LOADS", 9), entry("end", "REFERENCE-KNOWN-LOADS", 11),
                        entry("verification", counter=11)], 11, ""),
    "a failed verification": ([*UNIT, entry("verification", counter=9, outcome="fail")], 9, "3 tests"),
    "used since the verification": ([*UNIT, entry("verification", counter=9)], 10, "1 tests"),
    "cut off before it began a test": ([*UNIT, entry("begin", counter=6), entry("abandon")], 6, ""),
    "cut off in its test": ([*UNIT, entry("begin", counter=6), entry("energise"), entry("abandon")], 7, ""),
    "cut off, and used": ([*UNIT, entry("begin", counter=6), entry("energise"), entry("abandon")], 8, "2 tests"),
    "the count was not read at the end": ([*UNIT, entry("begin", counter=6), entry("energise"), entry("end")], 7, ""),
    "a run from before the count was asked for": ([entry("begin"), entry("end")], 40, ""),
}


@pytest.mark.parametrize("name", COUNTS)
def test_what_the_log_says_of_a_count(name: str) -> None:
    entries, now, words = COUNTS[name]
    reason = counter_reason("wt", now, counts_back("wt", "M", "S", reversed(entries)))
    assert (reason is None) is (words == "") and words in (reason.what if reason is not None else "")


def test_the_tail_of_a_log_is_its_entries_backwards_over_any_debris(tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
                                                                    make: Any) -> None:
    from eolseq.records import tail

    rig = make(fixtures="", checks=NEVER)
    assert rig.gated().outcome is Outcome.PASS
    whole = [payload for _, payload in Records.open(Path(rig.station.records)).payloads(KINDS)]
    copy = tmp_path / "copy.jsonl"
    lines = rig.log.path.read_bytes().split(b"\n")
    copy.write_bytes(b"\n".join([*lines[:3], b'{"payloadType":"torn', b"\0" * 99, *lines[3:]]))
    for block in (1, 7, 4096, 1 << 16):
        monkeypatch.setattr(tail, "_BLOCK", block if block > 1 else 500)
        assert list(tail.newest_first(copy, rig.log.origin, KINDS)) == whole[::-1]


def test_a_tester_without_a_page_that_counts_asks_for_nothing(make: Any) -> None:
    rig = make(checks=NEVER, fixtures="")
    assert rig.gated().outcome is Outcome.PASS
    rig.world.sources["withstand"].tests += 3
    assert rig.gated().outcome is Outcome.PASS and {count for _, count in counters(rig)} == {None}


def test_the_count_is_read_by_the_shipped_page_and_its_transcript_says_so() -> None:
    from eolseq.instruments.transcript import replay

    assert COUNTING.count is not None and replay(COUNTING).mistakes == []
    short = dataclasses.replace(COUNTING, transcript=tuple(each for each in COUNTING.transcript if each.does != "count"))
    assert [each.what for each in replay(short).mistakes] == ["the transcript never does 'count'"]
    counting, plain = (path.read_text("utf-8").splitlines() for path in (
        ROOT / "drivers/counting/wt-5.yaml", ROOT / "drivers/wt-5.yaml"))
    assert [line for line in counting[1:] if "DIAG:COUN?" not in line] == plain[1:], "all else is the page without a count"
    assert "drivers/counting/wt-5.yaml" in (ROOT / "simulators/fixture-station.yaml").read_text("utf-8")
