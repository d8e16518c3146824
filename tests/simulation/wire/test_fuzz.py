"""Whatever bytes come, an instrument goes on: no exception but its own errors, no hang, and the next query is right."""

from __future__ import annotations

import itertools
import math
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from eolseq.simulation.grammar import MULTIPLIERS, Parameter, nr3
from eolseq.simulation.instrument import Instrument

QUIET = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
PIECES = st.sampled_from([
    b"SOUR", b"VOLT", b":", b";", b"?", b"*", b"*IDN?", b"*STB?", b" ", b",", b"(@", b")", b"101", b"1.5E3", b"KV", b'"',
    b"'", b"#H", b"OUTP2", b"ON", b"MIN", b"\n", b"\r", b"\x00", b"\xff", b"SYST:ERR?", b"[", b"-", b".", b"E",
])


@QUIET
@given(data=st.one_of(st.binary(max_size=200), st.lists(PIECES, max_size=40).map(b"".join)),
       places=st.lists(st.integers(0, 200), max_size=4))
def test_any_bytes_split_anyhow(instrument: Instrument, data: bytes, places: list[int]) -> None:
    line = instrument.connect()
    cuts = [0, *sorted(places), len(data)]
    for start, end in itertools.pairwise(cuts):
        line.receive(data[start:end], 0.0)
    line.receive(b"\n*CLS\n", 0.0)
    assert line.receive(b"SYST:ERR?;*OPC?\n", 0.0) == b'0,"No error";1\n'


@QUIET
@given(value=st.floats(-1e30, 1e30), multiplier=st.sampled_from(sorted(MULTIPLIERS)))
def test_a_number_with_a_multiplier_is_the_number_times_it(value: float, multiplier: str) -> None:
    got = Parameter(f"{value!r} {multiplier}V").number("V")
    assert math.isclose(got, value * 10.0 ** MULTIPLIERS[multiplier], rel_tol=1e-12, abs_tol=1e-300)


@QUIET
@given(value=st.floats(allow_nan=False, allow_infinity=False, min_value=-1e300, max_value=1e300))
def test_what_is_answered_can_be_read_again(value: float) -> None:
    assert math.isclose(Parameter(nr3(value, 16)).number(), value, rel_tol=1e-15, abs_tol=1e-300)


@pytest.mark.parametrize("text", [
    b"1" * 60000 + b"!", b"1" + b" " * 60000 + b"!", b'"' + b'""' * 30000, b"'" * 60001, b"(" * 60000,
    b"(@" + b" " * 60000 + b"x)", b"(@1" + b",1" * 30000 + b")", b"(@" + b"1" * 60000 + b")", b"1E" + b"1" * 60000,
    b"A" * 60000, b"1.5" + b"K" * 60000, b"#H" + b"F" * 60000, b"1," * 30000, b"5;" * 30000, b":A" * 30000,
], ids=lambda text: f"{text[:3]!r} and on")
def test_long_nasty_parameters_take_no_time(bench, instrument: Instrument, text: bytes) -> None:
    start = time.process_time()
    for header in (b"SOUR:VOLT ", b"ROUT:CLOS ", b"DISP:TEXT ", b"SOUR:FUNC ", b""):
        instrument.receive(header + text + b"\n", 0.0)
    assert time.process_time() - start < 1.0
    assert bench.volts == (5 if text.startswith(b"5;") else 0)
    assert instrument.receive(b"*OPC?\n", 0.0) == b"1\n"
