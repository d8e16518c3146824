"""Power input on a scripted bench."""

from collections.abc import Callable
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from eolseq.bands.band import Outcome
from eolseq.bands.input_rows import INPUT_ROWS
from eolseq.engine.judging import Verdict, judge_evidence
from eolseq.errors import Stopped
from eolseq.instruments.roles import Answer
from eolseq.sequence.load import load_sequence
from eolseq.steps.base import Evidence
from eolseq.steps.power_input import PowerInput
from tests.steps.fakes import FakeBench, answer, reading

DEAD = reading("volts_peak", 30, "V")


def step_of(power: str, name: str) -> PowerInput:
    return next(step for step in load_sequence(Path(f"sequences/duct-heater-{power}.yaml")).steps
                if isinstance(step, PowerInput) and step.name == name)


STEP = step_of("3kw", "Input with the fan running")
NO_HEAT = step_of("3kw", "No heat without the fan")
IN_TURN = step_of("9kw", "Input of each stage with the fan running")


def supply(hertz: Any = 50.0, limited_at: float = 99.0) -> Callable[[float], Answer]:
    """A power source whose own volts are wrong: only those at the unit count."""
    return lambda t: answer("limited" if t >= limited_at else "holding on", volts=(300, "V"), hertz=(hertz, "Hz"))


def bench(watts: Any, amps: Any = None, volts: Any = 230.0, source: Any = None, **more: Any) -> FakeBench:
    """A bench with a power meter whose readings are constant or functions of the time since ON."""
    def at(value: Any, t: float) -> Any:
        return value(t) if callable(value) else value

    def meter(t: float) -> Answer:
        seen = at(watts, t)
        current = at(amps, t) if amps is not None else round(seen / 230.0, 3) if isinstance(seen, float) else 13.9
        return answer(volts=(at(volts, t), "V"), current_rms=(current, "A"), watts=(seen, "W"))

    return FakeBench({"power_source": source or supply()}, {"power_meter": meter}, **{"after_off": DEAD, **more})


def verdict_of(step: PowerInput, used: FakeBench) -> Verdict:
    return judge_evidence(step.run(used))


def test_a_sound_unit_passes_once_warm_and_settled_and_is_cooled() -> None:
    used = bench(3200.0)
    evidence = STEP.run(used)
    assert judge_evidence(evidence).outcome is Outcome.PASS
    assert [(each.reading.name, str(each.reading)) for each in evidence.readings] == [
        ("power", "3200.0 W"), ("current", "13.913 A"), ("residual voltage", "30 V")]
    assert used.did == [
        "connect power stage-1 fan", "power_meter prepare expected=3360 W",
        "on power_source volts=230 V hertz=50 Hz current_limit=20 A longest_on=18 s",
        *[each for each in used.did if each == "power_meter measure"][:len(used.looks) - cooled(used)],
        "off early", "off, run-down 1 s", "disconnect",
        "connect power fan", "power_meter prepare expected=3360 W",
        "on power_source volts=230 V hertz=50 Hz current_limit=20 A longest_on=18 s",
        *["power_meter measure"] * cooled(used), "off early", "off, run-down 1 s", "disconnect"]
    heating = used.looks[:len(used.looks) - cooled(used)]
    assert 12.0 <= heating[-1] < 12.2, "not before it is warm, and not for ever"
    assert 8.0 <= used.looks[-1] < 8.2


def cooled(used: FakeBench) -> int:
    """How many of the looks were taken while cooling."""
    again = max(index for index, each in enumerate(used.did) if each.startswith("on "))
    return sum(each == "power_meter measure" for each in used.did[again:])


# IEC 60335-1 10.1 Table 1, heating and combined appliances above 200 W: +5 % or 20 W, -10 % (from memory)
def test_the_band_is_that_of_the_rating() -> None:
    row = INPUT_ROWS["iec-60335-1-heating"].class_of(Decimal(3200))
    assert (row.above, row.below) == (5, 10)
    assert STEP.band.at_least is not None and STEP.band.at_most is not None
    assert STEP.band.at_least.base == Decimal(3200) * 90 / 100
    assert STEP.band.at_most.base == Decimal(3200) * 105 / 100


# UL 1026 31.1 and 31.2 (second-hand): at most 105 % of the rating, 5 kW -> 5250 W, and no lower limit
def test_a_row_without_a_lower_limit_says_so() -> None:
    row = INPUT_ROWS["ul-1026-heating"].class_of(Decimal(5000))
    assert Decimal(5000) * (1 + row.above / 100) == 5250
    assert row.below is None


@pytest.mark.parametrize(("watts", "outcome"), [
    (2880.0, Outcome.PASS), (3360.0, Outcome.PASS), (2879.9, Outcome.FAIL), (3360.1, Outcome.FAIL),
    (190.0, Outcome.FAIL), (0.0, Outcome.FAIL), ("garbled", Outcome.FAULT), ("open", Outcome.FAIL)])
def test_both_limits_of_the_power(watts: Any, outcome: Outcome) -> None:
    assert verdict_of(STEP, bench(watts, amps=14.5)).outcome is outcome


@pytest.mark.parametrize(("amps", "outcome"), [
    (13.95, Outcome.PASS), (14.7, Outcome.FAIL), (12.0, Outcome.FAIL), ("garbled", Outcome.FAULT), ("open", Outcome.FAIL)])
def test_both_limits_of_the_current(amps: Any, outcome: Outcome) -> None:
    assert verdict_of(STEP, bench(2900.0 if amps == 12.0 else 3200.0, amps=amps)).outcome is outcome


@pytest.mark.parametrize(("volts", "hertz"), [(225.0, 50.0), (235.0, 50.0), ("garbled", 50.0), ("open", 50.0),
                                              (230.0, 49.0), (230.0, "garbled"), (230.0, "open")])
def test_a_wrong_supply_at_the_unit_is_a_fault(volts: Any, hertz: Any) -> None:
    used = bench(3200.0, amps=14.5, volts=volts, source=supply(hertz))
    assert verdict_of(STEP, used).outcome is Outcome.FAULT


def test_a_sag_while_cooling_is_seen_too() -> None:
    turns = iter(range(2))
    cooling: list[bool] = []

    def volts(t: float) -> float:
        if t < 0.001:
            cooling.append(next(turns) == 1)
        return 200.0 if cooling[-1] and 3 < t < 3.2 else 230.0

    assert verdict_of(STEP, bench(3200.0, volts=volts)).outcome is Outcome.FAULT


def test_more_watts_than_volts_times_amps_are_a_fault_of_the_station() -> None:
    verdict = verdict_of(STEP, bench(3340.0, amps=12.9))  # 3340 W of 2967 VA
    assert verdict.outcome is Outcome.FAULT
    assert "power factor" in verdict.sentence.lower()


def test_what_never_settles_is_a_fault() -> None:
    used = bench(lambda t: round(3000.0 + 18.0 * t, 1))
    assert verdict_of(STEP, used).outcome is Outcome.FAULT
    assert max(used.looks) <= 12 + 5 + 0.1


def test_a_source_at_its_limit_fails_the_unit_and_is_not_switched_on_again_to_cool() -> None:
    used = bench(3200.0, source=supply(limited_at=3.0))
    verdict = verdict_of(STEP, used)
    assert verdict.outcome is Outcome.FAIL
    assert "current limit" in verdict.sentence
    assert used.on == 1
    assert max(used.looks) < 3.2


def test_a_bad_bleeder_fails_by_the_volts_that_are_left() -> None:
    verdict = verdict_of(STEP, bench(3200.0, after_off=reading("volts_peak", 290, "V")))
    assert verdict.outcome is Outcome.FAIL
    assert "Residual voltage" in verdict.sentence


def test_a_stop_while_heating_keeps_nothing_and_does_not_cool() -> None:
    used = bench(3200.0, stop_at=(4.0, Stopped("The guard was opened.", "Close it.")))
    with pytest.raises(Stopped) as caught:
        STEP.run(used)
    assert isinstance(caught.value.evidence, Evidence)
    assert caught.value.evidence.readings == ()
    assert used.on == 1


def test_parts_have_their_turns_with_all_the_others_and_are_cooled_once() -> None:
    used = bench(lambda t: 4080.0, amps=17.0, volts=240.0, source=supply(60.0))
    verdict = verdict_of(IN_TURN, used)
    assert verdict.outcome is Outcome.PASS, verdict.sentence
    assert [each for each in used.did if each.startswith("connect")] == [
        "connect power stage-1 fan", "connect power stage-2 fan", "connect power stage-3 fan", "connect power fan"]
    assert [each.name for each in verdict.readings] == [
        "power stage-1", "current stage-1", "power stage-2", "current stage-2", "power stage-3", "current stage-3",
        "residual voltage"]


def test_one_bad_turn_fails_and_the_others_are_measured_all_the_same() -> None:
    begun: list[int] = []

    def watts(t: float) -> float:
        if t < 0.001:
            begun.append(1)
        return 1080.0 if len(begun) == 2 else 4080.0

    def amps(t: float) -> float:
        return 4.62 if len(begun) == 2 else 17.0

    verdict = verdict_of(IN_TURN, bench(watts, amps=amps, volts=240.0, source=supply(60.0)))
    assert verdict.outcome is Outcome.FAIL
    assert [each.name for each in verdict.readings if each.outcome is Outcome.FAIL] == ["power stage-2", "current stage-2"]


@pytest.mark.parametrize(("watts", "amps", "outcome"), [
    (0.4, 0.434, Outcome.PASS), (20.5, 0.434, Outcome.FAIL), (3000.0, 13.05, Outcome.FAIL),
    (0.0, 0.0, Outcome.FAIL)])   # no current at all: the supply does not reach the unit
def test_no_heat_without_the_fan(watts: float, amps: float, outcome: Outcome) -> None:
    used = bench(watts, amps=amps)
    assert verdict_of(NO_HEAT, used).outcome is outcome
    assert used.on == 1 and max(used.looks) < 1.5
    assert used.did[0] == "connect power stage-1"


def test_settings_and_ranges_it_asks_for() -> None:
    assert dict(STEP.settings())["power_meter"] == {"expected": STEP.band.at_most}
    assert STEP.routes() == ("route-power", "stage-1", "fan")
    assert STEP.seconds() == pytest.approx(12 + 8 + 2 * (0.2 + 0.6) + 2 + 1, abs=1)
    assert STEP.settings_for_log()["cool_down"] == "8 s"
    assert IN_TURN.settings_for_log()["in_turn"] == "stage-1, stage-2, stage-3"
