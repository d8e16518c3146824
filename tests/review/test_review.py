"""Logs of a known line and what a review must find in them, each figure worked out by hand."""

from __future__ import annotations

import dataclasses
import random
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from eolseq.records import entries, line_entries
from eolseq.review.drift import LEAST, SPAN, Drifts
from eolseq.review.pace import Paces
from eolseq.review.silence import Silence, Silences
from eolseq.review.stops import Stop, reason_of
from eolseq.review.window import LONGEST, Moment, Window, last_shift, seconds
from eolseq.review.words import lines, silence_words
from tests.records.samples import begin, end
from tests.review.lines import BETWEEN, CYCLE, MORNING, Did, Line, reviewed

UNIT, OTHER = "DH6-90000001", "DH6-90000002"
PASS, FAIL = Did("pass"), Did("fail")

# story -> passed and judged at first
FIRST: dict[str, tuple[list[Did], tuple[int, int]]] = {
    "all good": ([PASS] * 5, (5, 5)),
    "one bad": ([PASS, FAIL, PASS], (2, 3)),
    "a retest does not make it good": ([Did("fail", UNIT), Did("pass", UNIT)], (0, 1)),
    "a retest does not make it bad": ([Did("pass", UNIT), Did("fail", UNIT)], (1, 1)),
    "undecided did not pass": ([Did("undecided", UNIT), Did("pass", UNIT)], (0, 1)),
    "a stop says nothing of the unit": ([Did("stopped", UNIT), Did("pass", UNIT)], (1, 1)),
    "nor a fault": ([Did("fault", UNIT), Did("fail", UNIT), Did("pass", UNIT)], (0, 1)),
    "nor a power cut": ([Did("abandoned", UNIT), Did("pass", UNIT)], (1, 1)),
    "a trial counts for nothing": ([Did("fail", UNIT, trial="yes"), Did("pass", UNIT)], (1, 1)),
    "nor a simulated run": ([Did("pass", UNIT, mode="simulated"), Did("fail", UNIT)], (0, 1)),
    "nor a reference unit": ([Did("fail", "REFERENCE-1"), PASS], (1, 1)),
    "each sequence is a first time": ([Did("pass", UNIT), Did("fail", UNIT, model="after rework")], (1, 2)),
    "nothing": ([], (0, 0)),
}


@pytest.mark.parametrize("story", FIRST)
def test_first_pass(quick_path: Path, story: str) -> None:
    runs, (passed, judged) = FIRST[story]
    found = reviewed(quick_path, runs).first_pass
    assert (found.number, found.of) == (passed, judged)


OUTCOMES = st.sampled_from(["pass", "fail", "undecided", "stopped", "fault", "abandoned"])
COUNTED = st.tuples(OUTCOMES, st.sampled_from(["A1", "A2", "A3", "A4"]), st.sampled_from(["bay-1", "bay-2"]),
                    st.sampled_from(["small", "large"]), st.sampled_from(["bond", "withstand"])).map(lambda it: Did(*it))
WAYS = st.sampled_from([{"mode": "simulated"}, {"trial": "yes"}, {"serial": "REFERENCE-1"}])
NEVER = st.tuples(COUNTED, WAYS).map(lambda it: it[0]._replace(cycle=0.0, after=0.0, **it[1]))  # type: ignore[arg-type]


@given(st.lists(st.tuples(COUNTED, st.lists(NEVER, max_size=2)), max_size=12))
@settings(max_examples=15, deadline=None)
def test_whatever_is_left_out_changes_no_figure_and_every_run_is_somewhere(runs: list[tuple[Did, list[Did]]]) -> None:
    with TemporaryDirectory(dir="/dev/shm") as folder:
        alone = reviewed(Path(folder) / "alone", [run for run, _ in runs], takt=30)
        mixed = reviewed(Path(folder) / "mixed", [each for run, more in runs for each in (*more, run)], takt=30)
    assert sum(mixed.outcomes.values()) == len(runs)
    assert sum(mixed.left_out.values()) == sum(len(more) for _, more in runs)
    assert dataclasses.replace(mixed, log=alone.log, left_out={}) == alone
    judged = [run for run, _ in runs if run.outcome in ("pass", "fail", "undecided")]
    assert alone.first_pass.of == len({(run.serial, run.model) for run in judged})
    assert sum(each.number for each in alone.failures) == sum(run.outcome != "pass" for run in judged)
    assert sum(each.number for each in alone.stops) == len(runs) - len(judged)


def test_what_is_left_out_is_said(quick_path: Path) -> None:
    runs = [PASS, Did("pass", trial="yes"), Did("pass", mode="simulated"), Did("fail", mode="simulated", trial="yes"),
            Did("fail", "REFERENCE-1"), Did("open")]
    found = reviewed(quick_path, runs)
    assert found.left_out == {"in trial": 1, "simulated": 2, "on reference units or known loads": 1}
    assert (found.outcomes, found.still_open) == ({"pass": 1}, 1)


def test_the_log_of_a_simulated_station_counts_its_own_runs_and_says_so(quick_path: Path) -> None:
    found = reviewed(quick_path, [Did("pass", mode="simulated")], role="simulated station")
    assert found.log.simulated and not found.left_out
    assert found.first_pass.of == 1


def test_a_window_by_dates(quick_path: Path) -> None:
    line = Line(quick_path).all([Did("fail", UNIT), PASS])
    line.clock.sleep(86_400)
    line.all([Did("pass", UNIT), Did("stopped"), FAIL])
    line.clock.sleep(86_400)
    line.all([PASS] * 3)
    with line.log:
        day = line.review(Window("2026-01-06", "2026-01-06"))
        assert day.outcomes == {"pass": 1, "stopped": 1, "fail": 1}
        assert (day.first_pass.number, day.first_pass.of) == (0, 1)  # the retested unit had its first verdict before
        assert [(each[2], each[3]) for each in day.retests] == [(1, 1)]
        assert day.stops == (Stop("stopped: As wanted.", 1, BETWEEN, 0, "bay-1"),)
        assert line.review(Window("2026-01")).first_pass.of == 6
        assert line.review(Window(until="2026-01-05")).outcomes == {"fail": 1, "pass": 1}
        assert line.review(Window("2026-02")).first_pass.of == 0


def test_where_units_fail(quick_path: Path) -> None:
    runs = [PASS, PASS, Did("fail", step="bond"), Did("fail", step="bond"), Did("undecided", step="fan"),
            Did("fail", step="bond", model="duct heater 9 kW")]
    found = reviewed(quick_path, runs)
    assert [tuple(each) for each in found.failures] == [
        ("duct heater 6 kW", "bond", 2, 5), ("duct heater 6 kW", "fan", 1, 5), ("duct heater 9 kW", "bond", 1, 1)]


def test_no_fault_found(quick_path: Path) -> None:
    def rework(line: Line, serial: str, changed: str | None) -> None:
        line.log.append(line_entries.Rework(serial=serial, run=line.log.runs(serial)[-1].closed_by or 0, by="op-1",
                                            sequence="duct heater 6 kW", cause="a wire", changed=changed))

    line = Line(quick_path).all([Did("fail", UNIT, step="bond"), Did("fail", OTHER, step="bond"), PASS])
    rework(line, UNIT, None)
    rework(line, OTHER, "the wire")
    line.all([Did("pass", UNIT, operator="op-2", bay="bay-2"), Did("pass", OTHER)])
    with line.log:
        found = line.review()
    assert found.retests == (("op-2", "bay-2", 1, 1), ("op-1", "bay-1", 0, 2))
    assert [tuple(each) for each in found.no_fault_found] == [("duct heater 6 kW", "bond", 1)]


GUARD = "The guard was opened. Close the guard; this unit needs a new run from the start."
VOLTS = "The meter reads 3.2 V. Call maintenance."


def test_time_lost_by_reason(quick_path: Path) -> None:
    stop = Did("stopped", sentence=GUARD)
    line = Line(quick_path).all([stop, PASS, stop._replace(after=50), PASS])
    line.all([Did("fault", sentence=VOLTS, after=600), Did("fault", sentence=VOLTS.replace("3.2", "17"), after=30), PASS])
    line.all([Did("stopped", bay="bay-2"), PASS, Did("abandoned", bay="bay-2", after=100), Did("pass", bay="bay-2")])
    with line.log:
        review = line.review()
        found = review.stops
    assert [(each.bay, each.number, each.lost) for each in review.stops_by_bay] == [
        ("bay-1", 4, 630 + BETWEEN + 50), ("bay-2", 2, CYCLE + 100 + BETWEEN + CYCLE + BETWEEN)]
    assert found == (
        Stop("fault: The meter reads # V.", 2, 630, 0, "bay-1"),
        Stop("abandoned: the program or the power went.", 1, CYCLE + 100, 0, "bay-2"),
        Stop("stopped: The guard was opened.", 2, BETWEEN + 50, 0, "bay-1"),
        Stop("stopped: As wanted.", 1, BETWEEN + CYCLE + BETWEEN, 0, "bay-2"),  # bay-1 went on meanwhile; bay-2 did not
    )


ENDS_UNKNOWN = {
    "nothing follows": lambda line: None,
    "the shift ends first": lambda line: (line.shift("end"), line.did(PASS)),
    "too long": lambda line: (line.clock.sleep(LONGEST), line.did(PASS)),
    "only another bay goes on": lambda line: line.did(Did("pass", bay="bay-2")),
    "only a reference unit follows": lambda line: line.did(Did("pass", "REFERENCE-1")),
}


@pytest.mark.parametrize("case", ENDS_UNKNOWN)
def test_time_lost_that_nobody_can_tell_is_no_figure(quick_path: Path, case: str) -> None:
    found = reviewed(quick_path, [Did("stopped", sentence=GUARD)], ENDS_UNKNOWN[case])
    assert found.stops == (Stop("stopped: The guard was opened.", 1, 0, 1, "bay-1"),)


def test_locks_and_refusals(quick_path: Path) -> None:
    def tell(line: Line) -> None:
        line.log.append(entries.Lock(reason="Dead was not proved. It read 80 V.", do="Measure."))
        line.clock.sleep(1800)
        line.log.append(entries.Unlock(by="m-1", reason="A relay."))
        line.log.append(entries.Remark(serial=UNIT, reason="The guard was not closed within 60 s. Close it."))
        line.log.append(entries.Remark(serial=UNIT, reason="The guard was not closed within 30 s. Close it."))
        line.log.append(entries.Remark(serial=None, reason="A word on something else."))

    found = reviewed(quick_path, [PASS], tell)
    assert found.locks == (Stop("Dead was not proved.", 1, 1800, 0),)
    assert found.refused == (("The guard was not closed within # s.", 2),)


@pytest.mark.parametrize(("sentence", "reason"), [
    ("The guard was opened. Close it.", "The guard was opened."), ("3.25 V and 7 A seen", "# V and # A seen"),
    ("", "no reason recorded"), ("Unit 'AB-7' is no DH-6. Look.", "Unit '#' is no DH-6."), ("Read 1.5 V. Then 2.", "Read # V."), ("x" * 300, "x" * 100)])
def test_reasons(sentence: str, reason: str) -> None:
    assert reason_of(sentence, "AB-7") == reason


def test_bays_that_differ(quick_path: Path) -> None:
    held = scipy.stats.fisher_exact([[20, 0], [11, 9]]).pvalue
    runs = [Did("pass", bay="bay-1")] * 20 + [Did("pass", bay="bay-2")] * 11 + [Did("fail", bay="bay-2")] * 9
    unlike = reviewed(quick_path, runs).unlike
    assert [(each.bays, each.told) for each in unlike] == [(("bay-1", "bay-2"), True)]
    assert unlike[0].chance == pytest.approx(held)


def test_a_bay_with_the_difficult_model_is_not_blamed(quick_path: Path) -> None:
    hard = {"model": "duct heater 9 kW"}
    runs = [Did("pass", bay="bay-1")] * 20 + [Did("pass", bay="bay-2", **hard)] * 11 + \
        [Did("fail", bay="bay-2", **hard)] * 9 + [Did("pass", bay="bay-2")] * 2  # type: ignore[arg-type]
    assert [each.told for each in reviewed(quick_path, runs).unlike] == [False]


def test_bays_are_compared_model_by_model_and_together(quick_path: Path) -> None:
    """Each model alone says little; together they do, although the good bay has more of the difficult one."""
    def at(bay: str, model: str, passed: int, failed: int) -> list[Did]:
        return [Did("pass", bay=bay, model=model)] * passed + [Did("fail", bay=bay, model=model)] * failed

    runs = at("bay-1", "DH-3", 12, 0) + at("bay-2", "DH-3", 8, 6) + at("bay-1", "DH-6", 30, 5) + at("bay-2", "DH-6", 8, 8)
    (found,) = reviewed(quick_path, runs).unlike
    assert (found.model, found.bays, found.told) == ("DH-3, DH-6", ("bay-1", "bay-2"), True)
    assert [(each.number, each.of) for each in found.yields] == [(42, 47), (16, 30)]
    alone = [scipy.stats.fisher_exact(table).pvalue for table in ([[12, 0], [8, 6]], [[30, 5], [8, 8]])]
    assert found.chance < min(alone)


def test_a_pass_that_is_taken_back_is_told_and_stays_in_the_yield(quick_path: Path) -> None:
    def void(line: Line) -> None:
        line.log.append(line_entries.Void(serial=UNIT, run=1, reason="Its covers were opened.", by="op-1"))

    found = reviewed(quick_path, [Did("pass", UNIT)], void)
    assert (found.taken_back, found.first_pass.number) == (1, 1)
    assert "passes taken back later: 1" in " ".join(lines(found))


def test_the_model_is_that_of_the_first_entry_and_of_old_entries_the_sequence(quick_path: Path) -> None:
    line = Line(quick_path)
    line.did(Did("pass"))
    run = line.log.append(dataclasses.replace(begin(line.log, "DH6-80000000"), mode="real", models=("DH-6", "DH-6A")))
    line.log.append(dataclasses.replace(end(line.log, run, "DH6-80000000", "fail"), mode="real"))
    with line.log:
        found = line.review()
    assert [each.name for each in found.by_model] == ["DH-6, DH-6A", "duct heater 6 kW"]
    assert [each.model for each in found.failures] == ["DH-6, DH-6A"]


def silent(runs: list[Did], path: Path) -> list[Silence]:
    return list(reviewed(path, runs).silences)


def test_a_tester_that_rejects_no_more(quick_path: Path) -> None:
    ((name, units, rejects, before, chance),) = [each[:5] for each in silent([PASS] * 8 + [FAIL] + [PASS] * 30, quick_path)]
    assert (name, units, rejects, before) == ("WT-5 1001", 30, 1, 9)
    assert chance == pytest.approx(9 / 39)  # the one reject as likely at every one of 39 places


def test_silence_is_told_below_one_in_a_hundred(quick_path: Path) -> None:
    runs = [PASS, FAIL, FAIL, *[PASS] * 22]
    assert [each.told for each in silent(runs, quick_path / "one")] == [False]  # 3 of 300 pairs of places
    assert [each.told for each in silent([*runs, PASS], quick_path / "two")] == [True]  # 3 of 325


def test_a_bad_unit_that_is_shown_again_counts_once_but_ends_the_silence(quick_path: Path) -> None:
    again = [PASS, *[Did("fail", UNIT)] * 4, *[PASS] * 5]
    ((_, units, rejects, before, _),) = [each[:5] for each in silent(again, quick_path / "one")]
    assert (units, rejects, before) == (5, 1, 2)
    later = [Did("fail", UNIT), *[PASS] * 5, Did("fail", UNIT), PASS]
    ((_, units, rejects, before, _),) = [each[:5] for each in silent(later, quick_path / "two")]
    assert (units, rejects, before) == (1, 1, 6)
    only = [Did("pass", UNIT), PASS, Did("fail", UNIT), PASS]
    ((_, units, rejects, before, chance),) = [each[:5] for each in silent(only, quick_path / "three")]
    assert (units, rejects, before, chance) == (1, 1, 3, pytest.approx(3 / 4))


def test_a_run_with_several_withstand_steps_is_one_unit() -> None:
    steps = [{"kind": "dielectric_withstand", "outcome": each, "readings": []} for each in ("pass", "fail", "pass")]
    silences = Silences()
    silences.take({"steps": steps, "instruments": []})
    (found,) = silences.result()
    assert (found.units, found.rejects, found.before) == (0, 1, 1)


def test_the_silence_of_a_sound_tester_is_told_at_most_once_in_a_hundred() -> None:
    """1000 testers that reject one in ten of 200 units, in any order: about ten or fewer may be told."""
    draw, wrong = random.Random(5), 0
    for _ in range(1000):
        silences = Silences()
        for _ in range(200):
            step = {"kind": "dielectric_withstand", "outcome": "fail" if draw.random() < 0.1 else "pass", "readings": []}
            silences.take({"steps": [step], "instruments": []})
        wrong += any(each.told for each in silences.result())
    assert wrong <= 21  # 10 and three and a half standard deviations


WT, DV, OTHER_WT = ({"name": name, "model": name.upper(), "serial": "1", "role": role} for name, role in
                    [("wt-1", "withstand_tester"), ("dv", "residual_meter"), ("wt-2", "withstand_tester")])
TESTERS: dict[str, tuple[list[dict[str, str]], list[dict[str, str] | None], list[str]]] = {
    "its own reading": ([WT, DV], [WT, DV], ["WT-1 1"]),
    "a trip, which no instrument read": ([WT, DV], [None, DV], ["WT-1 1"]),
    "the one of two that was used": ([WT, OTHER_WT], [OTHER_WT], ["WT-2 1"]),
    "a trip with two": ([WT, DV, OTHER_WT], [None, DV], ["WT-1 1", "WT-2 1"]),
    "none known": ([DV], [DV], ["without a name in the record"]),
}


@pytest.mark.parametrize("case", TESTERS)
def test_which_tester_a_reject_is_of(case: str) -> None:
    instruments, used, expected = TESTERS[case]
    silences = Silences()
    step = {"kind": "dielectric_withstand", "outcome": "fail", "readings": [{"instrument": each} for each in used]}
    silences.take({"steps": [step], "instruments": instruments})
    assert [(each.tester, each.rejects) for each in silences.result()] == [(name, 1) for name in expected]


def test_a_tester_that_never_rejected_is_held_against_the_others() -> None:
    """Thirty rejects in 300 units at one, none in 60 at the other: as likely as thirty drawn of 360 and none of those 60."""
    silences = Silences()
    for name, units, every in (("wt-1", 300, 10), ("wt-2", 60, 10 ** 6)):
        for number in range(units):
            outcome = "fail" if number % every == every - 1 else "pass"
            step = {"kind": "dielectric_withstand", "outcome": outcome, "readings": []}
            silences.take({"steps": [step], "instruments": [{"name": name, "model": "WT-5", "serial": name,
                                                             "role": "withstand_tester"}]})
    found = silences.result()[0]
    assert (found.tester, found.units, found.rejects, found.beside) == ("WT-5 wt-2", 60, 0, (30, 300))
    assert found.chance == pytest.approx(scipy.stats.hypergeom.pmf(0, 360, 60, 30))
    assert found.told
    assert "where other testers rejected 30 of 300" in silence_words(found)


def test_many_rejects_are_a_share() -> None:
    silences = Silences()
    for number in range(1050):
        outcome = "fail" if number % 10 == 9 and number < 1000 else "pass"
        silences.take({"steps": [{"kind": "dielectric_withstand", "outcome": outcome, "readings": []}], "instruments": []})
    assert silences.result()[0].chance == pytest.approx(0.9 ** 50, rel=0.25)


def test_a_tester_that_never_rejected_has_no_share(quick_path: Path) -> None:
    runs = [PASS] * 5 + [Did("fail", kind="ground_continuity"), Did("stopped")]
    (found,) = silent(runs, quick_path)
    assert (found.units, found.rejects, found.chance, found.told) == (5, 0, None, False)


def ends(values: list[float], unit_of: str = "A") -> Drifts:
    drifts = Drifts()
    for value in values:
        reading = {"outcome": "pass", "value": f"{value:.9f}", "name": "current", "unit": unit_of, "at_least": "0.00005",
                   "at_most": "0.00505"}
        drifts.take({"bay": "bay-1", "steps": [{"name": "s", "readings": [reading]}]}, "m")
    return drifts


def test_a_mean_that_moves_in_its_band() -> None:
    draw = random.Random(1)
    still = [draw.gauss(0.002, 0.00005) for _ in range(2 * SPAN)]
    (found,) = ends(still).result()
    assert not found.told and found.number == SPAN
    moved = [each + (0.0002 if place >= SPAN else 0) for place, each in enumerate(still)]
    (found,) = ends(moved).result()
    assert found.told
    assert found.share == pytest.approx(0.04, abs=0.005)  # 0.2 mA of a band of 5 mA


def test_few_readings_say_nothing_and_old_ones_are_forgotten() -> None:
    assert ends([0.002] * (2 * LEAST - 1)).result() == []
    (found,) = ends([0.004] * 500 + [0.002] * 2 * SPAN).result()
    assert (found.share, found.told) == (0.0, False)


def test_drift_is_told_for_nothing_once_in_a_hundred_reviews() -> None:
    """300 reviews of twelve series each in which nothing drifts: about three may speak up."""
    draw = random.Random(3)
    wrong = 0
    for _ in range(300):
        drifts = Drifts()
        for name in "abcdefghijkl":
            for _ in range(2 * LEAST):
                reading = {"outcome": "pass", "value": f"{draw.gauss(5, 1)}", "name": name, "unit": "A", "at_least": "0",
                           "at_most": "10"}
                drifts.take({"bay": "b", "steps": [{"name": "s", "readings": [reading]}]}, "m")
        wrong += any(each.told for each in drifts.result())
    assert wrong <= 9  # 3 and three and a half standard deviations


@pytest.mark.parametrize(("reading", "kept"), [
    ({}, True), ({"outcome": "fail"}, False), ({"value": None}, False), ({"at_least": None}, True),
    ({"at_least": None, "at_most": None}, False), ({"at_least": None, "at_most": "5 mA"}, False),
    ({"at_least": "0", "at_most": "0"}, False)])
def test_which_readings_make_a_series(reading: dict[str, str | None], kept: bool) -> None:
    drifts = Drifts()
    for _ in range(2 * LEAST):
        one = {"outcome": "pass", "value": "1", "name": "r", "unit": "A", "at_least": "0", "at_most": "2"} | reading
        drifts.take({"bay": "b", "steps": [{"name": "s", "readings": [one]}]}, "m")
    assert bool(drifts.result()) is kept


def test_only_first_runs_of_units_are_in_a_series(quick_path: Path) -> None:
    runs = [Did("pass", UNIT, value=f"0.0004{n:02}") for n in range(2 * LEAST)]
    assert not reviewed(quick_path / "one", runs).drifts
    assert reviewed(quick_path / "many", [each._replace(serial="") for each in runs]).drifts


def test_pace_against_takt(quick_path: Path) -> None:
    line = Line(quick_path)
    line.shift("begin")
    line.all([PASS, PASS, Did("pass", cycle=40), Did("stopped"), PASS])  # begin to begin: 30, 30, 50, 30
    line.shift("end")
    line.clock.sleep(3600)
    line.shift("begin")
    line.all([PASS, PASS])  # 30
    with line.log:
        pace = line.review(takt=30).pace
    assert (pace.cycle.number, pace.cycle.middle, pace.cycle.long) == (6, CYCLE, 40)
    assert (pace.between.number, pace.between.middle, pace.between.long) == (5, 30, 50)
    assert (pace.takt, pace.in_takt) == (30, 4)
    assert pace.recent == (5, 34)


def test_the_pace_of_late_is_a_mean_since_bays_begin_in_bursts() -> None:
    """Four bays loaded within six seconds, every two minutes: a unit each 30 s, though most begin 2 s apart."""
    paces = Paces(30.0)
    for n in range(12):
        paces.begins(Moment(MORNING, "one boot", 120.0 * (n // 4) + 2.0 * (n % 4)))
    found = paces.result()
    assert found.between.middle == 2
    assert found.recent == (10, pytest.approx(24.4))  # eight of 2 s and two of 114 s


MARKS = {
    "none": ([], None),
    "one at work": ([(3, "begin", "a")], (3, None)),
    "one done": ([(3, "begin", "a"), (9, "end", "a")], (3, 9)),
    "the last of two": ([(3, "begin", "a"), (9, "end", "a"), (11, "begin", "a"), (20, "end", "a")], (11, 20)),
    "two bays are one shift": ([(3, "begin", "a"), (4, "begin", "b"), (8, "end", "a"), (9, "end", "b")], (3, 9)),
    "one bay still at work": ([(3, "begin", "a"), (4, "begin", "b"), (8, "end", "a")], (3, None)),
    "the one before was cut off": ([(3, "begin", "a"), (7, "begin", "a"), (9, "end", "a")], (7, 9)),
}


@pytest.mark.parametrize("case", MARKS)
def test_the_last_shift(case: str) -> None:
    marks, expected = MARKS[case]
    found = last_shift(marks)
    assert (None if found is None else (found.first, found.last)) == expected


def test_a_bay_out_of_use_stands_still_until_a_unit_is_tested_there(quick_path: Path) -> None:
    def tell(line: Line) -> None:
        line.out_of_use("bay-2", "Guard unit SIM-1201 does not answer.")
        line.clock.sleep(600.0)
        line.all([Did("pass"), Did("pass", bay="bay-2"), Did("fault", bay="bay-2", sentence="No answer.", after=50.0)])
        line.out_of_use("bay-2", "It does not answer.")  # the fault before it is the reason
        line.clock.sleep(100.0)
        line.did(Did("pass", bay="bay-2"))
        line.out_of_use("bay-1", "It is past its calibration.")
        line.shift("end")

    found = reviewed(quick_path, [Did("pass", bay="bay-2")], tell)
    assert [(each.bay, each.reason, each.lost, each.unfollowed) for each in found.stops] == [
        ("bay-2", "out of use: Guard unit SIM-1201 does not answer.", 600.0 + CYCLE + BETWEEN, 0),
        ("bay-2", "fault: No answer.", 150.0, 0),
        ("bay-1", "out of use: It is past its calibration.", 0.0, 1)]


def test_a_clock_that_was_set_makes_no_time_lost() -> None:
    stopped = Moment(MORNING, "boot 1", 100.0)
    assert seconds(stopped, Moment(MORNING + timedelta(hours=5), "boot 1", 110.0)) == 10.0
    assert seconds(stopped, Moment(MORNING + timedelta(hours=5), "boot 2", 3.0)) == 5 * 3600
    assert seconds(stopped, Moment(MORNING - timedelta(hours=5), "boot 2", 3.0)) == 0.0
