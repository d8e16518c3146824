"""Whatever bytes come, an instrument goes on: no exception but its own errors, no hang, and the next query is right."""

from __future__ import annotations

import itertools
import math
import socket
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from eolseq.simulation.file import Simulator, build
from eolseq.simulation.grammar import MULTIPLIERS, Parameter, nr3
from eolseq.simulation.instrument import FAULTS, Instrument
from tests.benches import OTHERS, changed_bench
from tests.rig import SIMULATOR
from tests.served import serving

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


WORDS = st.sampled_from([
    b"OUTP ON", b"OUTP OFF", b"OUTP1 ON", b"OUTP2 ON", b"INIT", b"ABOR", b"*RST", b"*TRG", b"*CLS", b"*OPC?", b";", b";:", b"\n",
    b"SOUR:VOLT 1230", b"SOUR:VOLT:MODE LIST", b"SOUR:CURR:MODE LIST", b"SOUR:LIST:VOLT 0,1230,1230,0", b"DWEL 0.3,1,0.2",
    b"SOUR:LIST:CURR 0,25,25,0", b"LIST:DWEL 0.1,0.4,0.1", b"SOUR:LIST:VOLT 240", b"SOUR:LIST:DWEL 5", b"MEAS:VOLT?", b"MEAS:CURR?",
    b"MEAS:FRES?", b"READ?", b"FETC:POW?", b"CONF:FRES 20", b"CONF:CURR:AC 5", b"CALC1:LIM:UPP 0", b"CALC2:LIM:STAT ON",
    b"ROUT:CLOS (@101:140)", b"ROUT:OPEN:ALL", b"TRIG:TIM 0.05", b"STAT:OPER?", b"SYST:ERR?", b"MEAS:VOLT:MAX?", b" 1e9", b",-1",
])
HEARD = dict.fromkeys(build(SIMULATOR, now=0.0).by_name, b"STAT:QUES:ENAB?;*OPC?\n")


@QUIET
@given(said=st.lists(st.tuples(st.sampled_from(sorted(HEARD)), st.lists(WORDS | st.binary(max_size=8), max_size=8).map(b"".join),
                               st.floats(0, 3)), max_size=25),
       fault=st.sampled_from([None, *FAULTS, "stuck", "stuck-silent", "drifted", "noisy", "overloaded"]))
def test_whatever_is_said_to_a_bay_it_goes_on(said: list[tuple[str, bytes, float]], fault: str | None) -> None:
    """Commands of every role to any instrument in any order, in any time, with any fault: nothing but answers."""
    bay = build(SIMULATOR, now=0.0)
    now = 0.0
    for name, data, seconds in said:
        instrument = bay.by_name[name]
        if fault in instrument.all_faults():
            instrument.set_fault(str(fault))
        now += seconds
        instrument.wire.receive(data, now)
    bay.clear_faults()
    bay.tick(now + 1.0)
    for name, message in HEARD.items():
        bay.by_name[name].wire.receive(b"\n*CLS\n", now + 2.0)
        assert bay.by_name[name].wire.receive(message, now + 2.0).endswith(b";1\n")
    assert math.isfinite(bay.voltage_at_unit())


@pytest.mark.real_lines
def test_noise_on_real_lines_keeps_nobody_waiting() -> None:
    """Every byte there is, in every order that two bytes have, into each socket; the next question is answered."""
    noise = b"".join(bytes((first, second)) for first in range(0, 256, 5) for second in range(256))
    with serving(SIMULATOR) as (_, addresses):
        for address in (each for each in addresses.values() if each.startswith("TCPIP")):
            with socket.create_connection(("127.0.0.1", int(address.split("::")[2])), timeout=10) as wire:
                wire.sendall(noise + b"\n*CLS\n*OPC?\n")
                answer = b""
                while not answer.endswith(b"1\n"):
                    chunk = wire.recv(65536)
                    assert chunk, "the line was lost"
                    answer += chunk


@pytest.fixture(scope="module")
def others(tmp_path_factory: pytest.TempPathFactory) -> Simulator:
    """The bench with every instrument of other manners in its place."""
    return changed_bench(tmp_path_factory.mktemp("others"), *OTHERS)[0]


@QUIET
@given(data=st.lists(st.one_of(st.binary(max_size=20), st.sampled_from([b"\r", b"READ?\r", b"CONF:FRES 20,5\r", b"\0\0\0\0\0\6\1\2\0\0\0\7"])),
                     max_size=30), step=st.floats(0, 0.1))
def test_any_bytes_to_instruments_of_other_manners(others: Simulator, data: list[bytes], step: float) -> None:
    """Echo and registers too: a line that was talked nonsense to does not spoil the next one, nor the physics."""
    bay = build(others, now=0.0)
    now = 0.0
    for place in OTHERS:
        line = bay.by_name[place].wire.connect()
        for each in data:
            now += step
            line.receive(each, now)
    bay.tick(now + 1.0)
    resistance, guard = bay.by_name["resistance"].wire.connect(), bay.by_name["guard"].wire.connect()
    assert resistance.receive(b"*OPC?\r", now + 2.0) == b"*OPC?\r1\r"
    assert guard.receive(b"\0\1\0\0\0\6\1\2\0\0\0\7", now + 2.0)[:9] == b"\0\1\0\0\0\4\1\2\1"
