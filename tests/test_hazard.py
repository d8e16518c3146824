"""Danger and discharge, against published rows and worked arithmetic."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.hazard import (
    BODY_OHMS,
    SAFE_AMPS_AC,
    SAFE_AMPS_DC,
    dangerous,
    dangerous_amps,
    dangerous_joules,
    dangerous_volts,
    discharge_seconds,
    stored_coulombs,
    stored_joules,
    volts_after,
)


@pytest.mark.parametrize(("volts", "dc", "is_dangerous"), [(25, False, False), (25.1, False, True), (60, True, False),
                                                           (60.1, True, True), (-60.1, True, True)])
def test_volts_by_en_50191_2010_scope_1_2(volts: float, dc: bool, is_dangerous: bool) -> None:
    """25 V ac, 60 V dc (seen in the standards body's catalogue text)."""
    assert dangerous_volts(volts, dc=dc) is is_dangerous


@pytest.mark.parametrize(("amps", "dc", "is_dangerous"), [(0.003, False, False), (0.0031, False, True),
                                                          (0.012, True, False), (0.0121, True, True)])
def test_amps_by_en_50191_2010_scope_1_2(amps: float, dc: bool, is_dangerous: bool) -> None:
    """3 mA ac, 12 mA dc, through 2 kohm (seen); 2 kohm times these is 6 V and 24 V."""
    assert dangerous_amps(amps, dc=dc) is is_dangerous
    assert (BODY_OHMS * SAFE_AMPS_AC, BODY_OHMS * SAFE_AMPS_DC) == (6.0, 24.0)


@pytest.mark.parametrize(("farads", "volts", "joules"), [(155.6e-9, 2121, 0.350), (10e-9, 2121, 22.49e-3),
                                                         (311.1e-9, 1500, 0.350)])
def test_stored_energy(farads: float, volts: float, joules: float) -> None:
    """Arithmetic of C U^2 / 2, worked independently; 350 mJ is EN 50191:2010 scope 1.2 (seen)."""
    assert stored_joules(farads, volts) == pytest.approx(joules, rel=1e-3)
    assert dangerous_joules(0.350) is False
    assert dangerous_joules(0.3501) is True


def test_stored_charge() -> None:
    """45 uC at 2121 V is 21.22 nF (worked independently); 60 uC at 60 V is 1 uF (as IEC 60204-1 6.2.4, second-hand)."""
    assert stored_coulombs(21.22e-9, 2121) == pytest.approx(45e-6, rel=1e-3)
    assert stored_coulombs(1e-6, -60) == pytest.approx(60e-6)


@pytest.mark.parametrize(("ohms", "farads", "volts", "down_to", "seconds"), [
    (1e6, 0.1e-6, 325, 34, 0.2257), (1e6, 50e-9, 2100, 60, 0.1778), (1e6, 10e-9, 1768, 60, 33.83e-3),
    (425.9e3, 60e-6, 523.3, 50, 60.0), (2.555e6, 10e-6, 523.3, 50, 60.0), (427.5e3, 5e-6, 622.3, 60, 5.0)])
def test_discharge(ohms: float, farads: float, volts: float, down_to: float, seconds: float) -> None:
    """R C ln(V0/Vs), worked independently."""
    assert discharge_seconds(ohms, farads, volts, down_to) == pytest.approx(seconds, rel=1e-3)


def test_what_never_discharges_and_what_need_not() -> None:
    assert discharge_seconds(math.inf, 1e-6, 325, 60) == math.inf
    assert discharge_seconds(1e6, 1e-6, 325, 0) == math.inf
    assert discharge_seconds(1e6, 1e-6, 60, 60) == 0.0
    assert volts_after(0.0, 1e-6, 325, 0.1) == 0.0


@given(st.floats(1, 1e7), st.floats(1e-10, 1e-4), st.floats(61, 10000))
def test_after_the_discharge_time_the_voltage_is_there(ohms: float, farads: float, volts: float) -> None:
    seconds = discharge_seconds(ohms, farads, volts, 60)
    assert volts_after(ohms, farads, volts, seconds) == pytest.approx(60, rel=1e-9)


@given(st.floats(), st.none() | st.floats(), st.none() | st.floats(), st.booleans())
def test_one_condition_within_its_limit_is_enough_and_none_known_is_danger(volts: float, amps: float | None,
                                                                           joules: float | None, dc: bool) -> None:
    """The conditions are or-ed (EN 50191:2010 scope 1.2, seen); what is not known or not a number makes nothing safe."""
    safe = abs(volts) <= (60 if dc else 25) or (amps is not None and abs(amps) <= (0.012 if dc else 0.003)) \
        or (joules is not None and joules <= 0.35)
    assert dangerous(volts, dc=dc, amps=amps, joules=joules) is not safe


@pytest.mark.parametrize("nothing", [math.nan, math.inf])
def test_not_a_number_is_danger(nothing: float) -> None:
    assert dangerous(nothing, amps=math.nan, joules=math.nan)
    assert dangerous_joules(nothing)
