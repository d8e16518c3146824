"""Players against transcripts that fail on an exchange too many or too few."""

from __future__ import annotations

import ast
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eolseq.bands.band import ABOVE_RANGE, NOT_A_NUMBER
from eolseq.clock import VirtualClock
from eolseq.errors import InstrumentFault, LinkAborted, LinkLost, LinkTimeout, StationFault
from eolseq.instruments.page import load_page
from eolseq.instruments.player import MOST_ERRORS, Permit, Player
from eolseq.quantity import Quantity, parse
from tests.instruments.fake_link import DRIVERS, NO_ERROR, Exchanges, FakeLink, identity_of, opened

ROOT = Path(__file__).resolve().parents[2]

WITHSTAND: dict[str, Any] = {
    "type": "ac", "frequency": parse("60 Hz"), "voltage": parse("1.23 kV"), "rise": parse("300 ms"),
    "hold": parse("1 s"), "fall": parse("0.2 s"), "trip": parse("5 mA"), "trip_on": "total"}
PREPARED: Exchanges = [
    ("SOUR:FUNC:SHAP SIN", None), ("SOUR:FREQ 60", None),
    ("SOUR:VOLT:MODE LIST;:SOUR:LIST:VOLT 0,1230,1230,0;DWEL 0.3,1,0.2", None),
    ("CALC1:LIM:STAT OFF;:CALC2:LIM:STAT OFF;:CALC1:LIM:UPP 0.005;STAT ON", None), NO_ERROR]
MEASURE = "MEAS:VOLT?;CURR?;:CALC2:DATA?;:MEAS:TINT?;:STAT:OPER:COND?;:STAT:QUES:COND?"


def timeout() -> LinkTimeout:
    return LinkTimeout("No answer came in time.", "Look at it.")


def again(model: str, danger: bool = True) -> Exchanges:
    """What a player does before anything else once a line was in doubt."""
    return [("reopen", None), *([("off OUTP OFF", None)] if danger else []), ("*IDN?", identity_of(model))]


# Every action of the pages, one after the other on one line; each page's own transcript is replayed elsewhere.

def test_withstand_tester() -> None:
    player, link, clock = opened("wt-5", [
        *PREPARED, ("OUTP ON;*OPC?", "1"), ("INIT", None),
        (MEASURE, "+1.230000E+03;+1.812000E-03;+1.000000E-05;+5.020000E-01;16;0"),
        (MEASURE, "0.0;9.9E+37;9.91E+37;0.1;0;2"),
        ("OUTP OFF;*OPC?", "1"), ("OUTP?", "0"), ("OUTP?", "1")])
    clock.sleep(2.5)
    player.perform("prepare", **WITHSTAND)
    player.perform("energise", permit=Permit("withstand_tester"))
    answer = player.perform("measure")
    assert str(answer.readings["voltage"]) == "1230.000 V"
    assert answer.readings["current_total"].value == Decimal("0.001812")
    assert answer.readings["elapsed"].raw == "+5.020000E-01"
    assert {(each.time, each.instrument) for each in answer.readings.values()} == {(2.5, "bench-1")}
    assert answer.flags == {"holding"}
    tripped = player.perform("measure")
    assert tripped.flags == {"tripped"}
    assert tripped.readings["current_total"].special == ABOVE_RANGE
    assert tripped.readings["current_in_phase"].special == NOT_A_NUMBER
    assert player.perform("off").flags == frozenset()
    assert player.perform("output").flags == frozenset()
    assert player.perform("output").flags == {"on"}
    link.check_done()


def test_direct_voltage_has_no_frequency() -> None:
    dc = [("SOUR:FUNC:SHAP DC", None), *PREPARED[2:3],
          ("CALC1:LIM:STAT OFF;:CALC2:LIM:STAT OFF;:CALC2:LIM:UPP 0.005;STAT ON", None), NO_ERROR]
    player, link, _ = opened("wt-5", [*dc, *dc])
    settings = {**WITHSTAND, "type": "dc", "trip_on": "in_phase"}
    player.perform("prepare", **{**settings, "frequency": None})
    del settings["frequency"]
    player.perform("prepare", **settings)
    link.check_done()


def test_continuity_tester() -> None:
    player, link, _ = opened("ct-30", [
        ("SOUR:VOLT:PROT 12", None), ("SOUR:CURR:MODE LIST;:SOUR:LIST:CURR 0,25,25,0;DWEL 0.1,0.4,0.1", None), NO_ERROR,
        ("OUTP ON;*OPC?", "1"), ("INIT", None), ("MEAS:CURR?;FRES?;:STAT:OPER:COND?", "25.01;0.0312;8"),
        ("OUTP OFF;*OPC?", "1"), ("OUTP?", "0")])
    player.perform("prepare", current=parse("25 A"), rise=parse("0.1 s"), hold=parse("0.4 s"), open_volts=parse("12 V"))
    player.perform("energise", permit=Permit("continuity_tester"))
    answer = player.perform("measure")
    assert str(answer.readings["resistance"]) == "0.0312 ohm"
    assert answer.flags == {"rising"}
    player.perform("off")
    assert "on" not in player.perform("output").flags
    link.check_done()


def test_power_source() -> None:
    player, link, _ = opened("ps-9", [
        ("SOUR:VOLT 240;:SOUR:FREQ 60;:SOUR:CURR:PROT 12.5", None),
        ("SOUR:VOLT:MODE LIST;:SOUR:LIST:VOLT 240;DWEL 5", None), NO_ERROR, ("OUTP ON;*OPC?", "1"), ("INIT", None),
        ("MEAS:VOLT?;FREQ?;:STAT:OPER:COND?;:STAT:QUES:COND?", "239.9;60.00;16;2"), ("OUTP OFF;*OPC?", "1"),
        ("OUTP?", "0")])
    player.perform("prepare", volts=parse("240 V"), hertz=parse("60 Hz"), current_limit=parse("12.5 A"),
                   longest_on=parse("5 s"))
    player.perform("energise", permit=Permit("power_source"))
    assert player.perform("measure").flags == {"holding", "limited"}
    player.perform("off")
    assert player.perform("output").flags == frozenset()
    link.check_done()


def test_meters() -> None:
    player, link, _ = opened("rm-4", [("CONF:FRES 20.81", None), NO_ERROR, ("READ?", "+1.8744E+01"), ("READ?", "9.9E+37")])
    player.perform("prepare", expected=parse("20.81 ohm"))
    assert str(player.perform("measure").readings["resistance"]) == "18.744 ohm"
    assert player.perform("measure").readings["resistance"].special == ABOVE_RANGE
    link.check_done()
    player, link, _ = opened("am-1", [("CONF:CURR:AC 2.64", None), NO_ERROR, ("READ?", "2.401")])
    player.perform("prepare", expected=parse("2640 mA"))
    assert str(player.perform("measure").readings["current_rms"]) == "2.401 A"
    link.check_done()
    player, link, _ = opened("dv-2", [("MEAS:VOLT:MAX?", "1739.5")])
    assert str(player.perform("measure").readings["volts_peak"]) == "1739.5 V"
    link.check_done()


def test_switching_unit() -> None:
    player, link, _ = opened("sw-40", [
        ("ROUT:CLOS (@101);*OPC?", "1"), NO_ERROR, ("ROUT:OPEN (@101);*OPC?", "1"), NO_ERROR,
        ("ROUT:OPEN:ALL;*OPC?", "1"), ("ROUT:CLOS:STAT?", "(@101,111)"), ("ROUT:CLOS:STAT?", "(@)")])
    player.perform("close", channel=101)
    player.perform("open", channel=101)
    player.perform("open_all")
    assert player.perform("closed").channels == {101, 111}
    assert player.perform("closed").channels == frozenset()
    link.check_done()


def test_guard_unit() -> None:
    player, link, _ = opened("gu-2", [
        ("TRIG:TIM 0.3", None), NO_ERROR, ("*TRG;:STAT:OPER:COND?;:STAT:QUES:COND?", "3840;512"),
        ("OUTP2 ON;*OPC?", "1"), ("OUTP1 ON;*OPC?", "1"), ("OUTP1 OFF;*OPC?", "1"), ("OUTP2 OFF;*OPC?", "1"),
        ("*TRG;:STAT:OPER:COND?;:STAT:QUES:COND?", "4096;1024")])
    player.perform("prepare", watchdog=parse("0.300 s"))
    assert player.perform("look").flags == {"contact_a", "contact_b", "locked", "contactor", "red"}
    for action in ("lock", "contactor_on", "contactor_off", "unlock"):
        player.perform(action)
    assert player.perform("look").flags == {"stop_button", "green"}
    link.check_done()


# Opening.

def test_identity() -> None:
    player, link, _ = opened("rm-4", [])
    identity = player.identity
    assert identity is not None
    assert (identity.maker, identity.model, identity.serial, identity.firmware) == (
        "Aldervale Instruments (simulated)", "RM-4", "SIM-0001", "1.0")
    assert identity.simulated
    link.check_done()


@pytest.mark.parametrize(("reply", "words"), [
    (identity_of("RM-5"), "reports the model 'RM-5', not 'RM-4'"),
    (identity_of("RM-4", "SIM-0009"), "reports the serial number 'SIM-0009', not 'SIM-0004'"),
    ("RM-4", "not of the form"),
    ("", "not of the form"),
])
def test_another_instrument_is_refused(reply: str, words: str) -> None:
    link = FakeLink([("*IDN?", reply)])
    player = Player("ohms", load_page(DRIVERS / "rm-4.yaml"), link, VirtualClock())
    with pytest.raises(InstrumentFault, match=words) as caught:
        player.open("SIM-0004")
    assert caught.value.instrument == "ohms"
    assert caught.value.message == "*IDN?"
    assert caught.value.reply == reply
    with pytest.raises(StationFault, match="was not opened"):
        player.perform("measure")


def test_errors_left_over_are_read_and_told() -> None:
    link = FakeLink([("*IDN?", identity_of("RM-4")), ("SYST:ERR?", '-330,"Self-test failed"'), NO_ERROR])
    player = Player("ohms", load_page(DRIVERS / "rm-4.yaml"), link, VirtualClock())
    assert player.open("SIM-0001").left_over == ('-330,"Self-test failed"',)
    link.check_done()


def test_an_error_queue_without_end() -> None:
    player, link, _ = opened("rm-4", [("SYST:ERR?", '-350,"Queue overflow"')] * MOST_ERRORS)
    with pytest.raises(InstrumentFault, match="does not end"):
        player.check_errors()
    link.check_done()


# Refusals: nothing may reach the line.

@pytest.mark.parametrize(("change", "words"), [
    ({"voltage": parse("5001 V")}, "voltage 5001 V is above 5000 V, the most this instrument takes"),
    ({"voltage": parse("49 V")}, "voltage 49 V is below 50 V"),
    ({"voltage": parse("1230.5 V")}, "voltage 1230.5 V is between two steps"),
    ({"voltage": parse("1230 A")}, "voltage 1230 A is not in V"),
    ({"voltage": Quantity(Decimal("1230.00000000000000000000001"), "V")}, "not a number of at most 20 digits"),
    ({"voltage": 1230}, "is not in V"),
    ({"voltage": "1230 V"}, "not as a value such as 50 V"),
    ({"voltage": None}, "not as a value such as 50 V"),
    ({"type": "acdc"}, "type acdc is not one of ac, dc"),
    ({"trip_on": "both"}, "trip_on both is not one of total, in_phase"),
    ({"frequency": None}, "frequency is given as None"),
    ({"speed": parse("1 V")}, "does not take 'speed'"),
])
def test_settings_off_range_or_step_are_refused(change: dict[str, Any], words: str) -> None:
    player, link, _ = opened("wt-5", [])
    with pytest.raises(StationFault, match=words):
        player.perform("prepare", **{**WITHSTAND, **change})
    link.check_done()


def test_a_missing_setting_is_refused() -> None:
    player, link, _ = opened("wt-5", [])
    with pytest.raises(StationFault, match="hold was not given"):
        player.perform("prepare", **{name: value for name, value in WITHSTAND.items() if name != "hold"})
    link.check_done()


def test_fits() -> None:
    page = load_page(DRIVERS / "wt-5.yaml")
    assert page.fits("voltage", parse("1230 V")) == ""
    assert page.fits("type", "ac") == ""
    assert "above 5000 V" in page.fits("voltage", parse("6 kV"))
    assert "no setting 'colour'" in page.fits("colour", "red")
    assert "above 140" in load_page(DRIVERS / "sw-40.yaml").fits("channel", 141)


@given(st.decimals(min_value=0, max_value=6000, places=1))
def test_what_is_sent_is_what_was_asked(volts: Decimal) -> None:
    setting = load_page_once().takes["voltage"]
    quantity = parse(f"{volts:f} V")
    if setting.problem(quantity):
        assert volts < 50 or volts > 5000 or volts % 1
    else:
        assert Decimal(setting.text(quantity)) == volts


PAGE = load_page(DRIVERS / "wt-5.yaml")


def load_page_once() -> Any:
    return PAGE


# The permit.

def test_energise_needs_a_permit() -> None:
    player, link, _ = opened("wt-5", PREPARED)
    player.perform("prepare", **WITHSTAND)

    class Forged(Permit):
        """Looks like one."""

    used = Permit("withstand_tester")
    used.valid = False
    for permit in (None, True, "yes", object(), used, Permit("power_source"), Forged("withstand_tester")):
        with pytest.raises(StationFault, match="something else than the door"):
            player.perform("energise", permit=permit)
    link.check_done()


def test_energise_in_one_line_needs_a_permit_too(tmp_path: Path) -> None:
    path = tmp_path / "ps-9.yaml"
    path.write_text((DRIVERS / "ps-9.yaml").read_text(encoding="utf-8").replace("    - {send: INIT}\n", ""),
                    encoding="utf-8")
    player, link, _ = opened(path, [])
    assert len(player.page.does["energise"].lines) == 1
    with pytest.raises(StationFault, match="something else than the door"):
        player.perform("energise")
    with pytest.raises(StationFault, match="without fresh settings"):
        player.perform("energise", permit=Permit("power_source"))
    link.check_done()


def test_of_two_looks_the_later_counts(tmp_path: Path) -> None:
    path = tmp_path / "gu-2.yaml"
    path.write_text((DRIVERS / "gu-2.yaml").read_text(encoding="utf-8").replace(
        "  look:\n", "  look:\n    - {ask: \"STAT:OPER:COND?\", reply: \"{work:bits}\"}\n"), encoding="utf-8")
    both = "*TRG;:STAT:OPER:COND?;:STAT:QUES:COND?"
    player, link, _ = opened(path, [("STAT:OPER:COND?", "768"), (both, "256;1024"), ("STAT:OPER:COND?", "768"),
                                    (both, "0;0")])
    assert player.perform("look").flags == {"contact_a", "green"}
    assert player.perform("look").flags == frozenset()
    link.check_done()


def test_a_permit_is_used_once_and_settings_are_fresh() -> None:
    player, link, _ = opened("wt-5", [*PREPARED, ("OUTP ON;*OPC?", "1"), ("INIT", None)])
    permit = Permit("withstand_tester")
    player.perform("prepare", **WITHSTAND)
    player.perform("energise", permit=permit)
    with pytest.raises(StationFault, match="something else than the door"):
        player.perform("energise", permit=permit)
    with pytest.raises(StationFault, match="without fresh settings"):
        player.perform("energise", permit=Permit("withstand_tester"))
    link.check_done()


def test_only_the_door_makes_permits() -> None:
    makers = set()
    for path in sorted((ROOT / "eolseq").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            named = (isinstance(node, ast.Name) and node.id == "Permit") or \
                (isinstance(node, ast.Attribute) and node.attr == "Permit") or \
                (isinstance(node, ast.ImportFrom) and any(each.name == "Permit" for each in node.names)) or \
                (isinstance(node, ast.Constant) and node.value == "Permit")
            if named:
                makers.add(str(path.relative_to(ROOT / "eolseq")))
    assert makers == {"guard/power.py", "instruments/player.py"}


def test_only_the_door_says_energise() -> None:
    callers = set()
    for path in sorted((ROOT / "eolseq").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "perform" \
                    and any(isinstance(each, ast.Constant) and each.value == "energise" for each in node.args):
                callers.add(str(path.relative_to(ROOT / "eolseq")))
    assert callers == {"guard/power.py"}


# Errors of instrument and line.

def test_an_error_after_settings_names_everything() -> None:
    player, link, _ = opened("rm-4", [("CONF:FRES 20", None), ("SYST:ERR?", '-222,"Data out of range"'), NO_ERROR])
    with pytest.raises(InstrumentFault, match="reports an error") as caught:
        player.perform("prepare", expected=parse("20 ohm"))
    assert (caught.value.instrument, caught.value.message) == ("bench-1", "CONF:FRES 20")
    assert caught.value.reply == '-222,"Data out of range"'
    assert caught.value.do
    link.check_done()


def test_settings_that_failed_do_not_count_as_fresh() -> None:
    player, link, _ = opened("wt-5", [*PREPARED, *PREPARED[:-1], ("SYST:ERR?", '-221,"Settings conflict"'), NO_ERROR])
    player.perform("prepare", **WITHSTAND)
    with pytest.raises(InstrumentFault):
        player.perform("prepare", **WITHSTAND)
    with pytest.raises(StationFault, match="without fresh settings"):
        player.perform("energise", permit=Permit("withstand_tester"))
    link.check_done()


def test_after_a_timeout_the_line_is_opened_afresh_and_the_lost_answer_never_counts() -> None:
    player, link, _ = opened("wt-5", [(MEASURE, timeout()), *again("WT-5"), (MEASURE, "1;2E-3;0;0;8;0")])
    with pytest.raises(LinkTimeout) as caught:
        player.perform("measure")
    assert (caught.value.instrument, caught.value.message) == ("bench-1", MEASURE)
    assert str(player.perform("measure").readings["voltage"]) == "1 V"
    link.check_done()


def test_a_late_answer_in_place_of_the_identity_is_thrown_away() -> None:
    player, link, _ = opened("ct-30", [
        ("OUTP?", timeout()), ("reopen", None), ("off OUTP OFF", None), ("*IDN?", "1"), ("reopen", None),
        ("*IDN?", identity_of("CT-30")), ("OUTP?", "0")])
    with pytest.raises(LinkTimeout):
        player.perform("output")
    assert player.perform("output").flags == frozenset()
    link.check_done()


def test_who_is_there_may_take_its_time_at_the_start_and_not_while_a_guard_is_watched(
        monkeypatch: pytest.MonkeyPatch) -> None:
    """The page of the guard unit allows 25 ms, which a computer that starts may need for itself."""
    allowed: list[float] = []
    ask = FakeLink.ask

    def noted(self: FakeLink, message: str, within: float) -> str:
        if message == "*IDN?":
            allowed.append(within)
        return ask(self, message, within)

    monkeypatch.setattr(FakeLink, "ask", noted)
    player, link, _ = opened("gu-2", again("GU-2", danger=False))
    player.reopen()
    link.check_done()
    assert allowed == [1.0, 0.025]


def test_another_instrument_after_reopening_is_a_fault() -> None:
    other = ("*IDN?", identity_of("RM-4", "SIM-0099"))
    player, link, _ = opened("rm-4", [("READ?", timeout()), ("reopen", None), other, ("reopen", None), other,
                                      ("reopen", None), other, ("reopen", None), ("*IDN?", timeout())])
    with pytest.raises(LinkTimeout):
        player.perform("measure")
    with pytest.raises(InstrumentFault, match="reports the identity"):
        player.perform("measure")
    with pytest.raises(LinkTimeout):
        player.perform("measure")
    link.check_done()


def test_a_reply_that_does_not_fit_puts_the_line_in_doubt() -> None:
    player, link, _ = opened("gu-2", [
        ("*TRG;:STAT:OPER:COND?;:STAT:QUES:COND?", "768"), *again("GU-2", danger=False),
        ("*TRG;:STAT:OPER:COND?;:STAT:QUES:COND?", "768;1024")])
    with pytest.raises(InstrumentFault) as caught:
        player.perform("look")
    assert (caught.value.instrument, caught.value.reply) == ("bench-1", "768")
    assert caught.value.message.startswith("*TRG")
    assert player.perform("look").flags == {"contact_a", "contact_b", "green"}
    link.check_done()


def test_settings_are_lost_when_the_line_was() -> None:
    lost = LinkLost("The line was lost.", "Look at it.")
    player, link, _ = opened("wt-5", [*PREPARED, ("OUTP?", lost), *again("WT-5")])
    player.perform("prepare", **WITHSTAND)
    with pytest.raises(LinkLost):
        player.perform("output")
    with pytest.raises(StationFault, match="without fresh settings"):
        player.perform("energise", permit=Permit("withstand_tester"))
    link.check_done()


def test_a_dirty_link_is_opened_afresh() -> None:
    player, link, _ = opened("dv-2", [*again("DV-2", danger=False), ("MEAS:VOLT:MAX?", "0")])
    link.dirty = True
    assert str(player.perform("measure").readings["volts_peak"]) == "0 V"
    link.check_done()


def test_energise_that_is_not_confirmed_does_not_start() -> None:
    player, link, _ = opened("wt-5", [*PREPARED, ("OUTP ON;*OPC?", "0")])
    player.perform("prepare", **WITHSTAND)
    with pytest.raises(InstrumentFault):
        player.perform("energise", permit=Permit("withstand_tester"))
    link.check_done()


def test_stop_goes_out_whatever_happens() -> None:
    player, link, _ = opened("ps-9", [("off OUTP OFF", None)])
    player.stop()
    link.check_done()
    player, link, _ = opened("rm-4", [])
    player.stop()
    link.check_done()


def test_an_unknown_action() -> None:
    player, link, _ = opened("rm-4", [])
    with pytest.raises(StationFault, match="has no action 'warm'"):
        player.perform("warm")
    with pytest.raises(StationFault, match="does not take 'expected'"):
        player.perform("measure", expected=parse("1 ohm"))
    link.check_done()


@given(st.binary(max_size=40).map(lambda raw: raw.decode("latin-1")))
def test_any_reply_is_an_answer_or_one_of_our_faults(text: str) -> None:
    for page, action, message in ((PAGE, "measure", MEASURE), (PAGE, "off", "OUTP OFF;*OPC?")):
        link = FakeLink([("*IDN?", identity_of("WT-5")), NO_ERROR, (message, text)])
        player = Player("wt", page, link, VirtualClock())
        player.open()
        try:
            player.perform(action)
        except InstrumentFault as error:
            assert error.instrument == "wt"
            assert error.message == message
        else:
            assert text == "1" or text.count(";") == 5


# Waiting, and a page unlike the others.

AWKWARD = """\
format: 1
kind: driver page
role: resistance_meter
line: {end: CR, echo: yes, pause: 30 ms, decimal: comma, baud: 1200, data_bits: 7, parity: even, stop_bits: 2}
identity: {ask: "WHO", reply: "{model:text} {serial:text}", model: R7}
takes:
  expected: {in: mohm, from: 0 mohm, to: 2000 mohm, step: 0.5 mohm}
gives:
  resistance: {in: mohm, ranges: [{to: 200 mohm, accuracy: 1 % of reading + 0.5 mohm}, {to: 2 ohm}]}
words: {state: {W: warming, R: nothing}}
no_reading: {above_range: ["OL"], none: ["----"]}
does:
  prepare:
    - {send: "RANGE {expected}"}
    - {pause: 250 ms}
  measure:
    - {wait: "STATE", reply: "S={state:word}", until: [{warming: off}], within: [1 s, 500 ms], every: 100 ms}
    - {ask: "GO", reply: "R= {resistance:0.1 mohm}", within: 2 s}
"""


def awkward(tmp_path: Path, exchanges: Exchanges) -> tuple[Player, FakeLink, VirtualClock]:
    path = tmp_path / "r7.yaml"
    path.write_text(AWKWARD, encoding="utf-8")
    link = FakeLink([("WHO", "R7 0042"), *exchanges])
    clock = VirtualClock()
    player = Player("old-meter", load_page(path), link, clock)
    player.open()
    return player, link, clock


def test_an_awkward_page(tmp_path: Path) -> None:
    player, link, clock = awkward(tmp_path, [
        ("RANGE 100,5", None), ("STATE", "S=W"), ("STATE", "S=W"), ("STATE", "S=R"), ("GO", "R=   25,1"),
        ("STATE", "S=R"), ("GO", "R= OL"), ("STATE", "S=R"), ("GO", "----"), ("STATE", "S=R"), ("GO", "R= 25.1")])
    line = player.page.line
    assert (line.end, line.echo, line.pause, line.decimal_comma) == (b"\r", True, 0.03, True)
    assert (line.baud, line.data_bits, line.parity, line.stop_bits) == (1200, 7, "even", 2)
    assert player.identity is not None and player.identity.serial == "0042" and not player.identity.simulated
    player.perform("prepare", expected=parse("0.1005 ohm"))
    assert clock.monotonic() == pytest.approx(0.25)
    answer = player.perform("measure")
    assert clock.monotonic() == pytest.approx(0.45)
    assert answer.readings["resistance"].value == Decimal("2.51")
    assert answer.readings["resistance"].unit == "mohm"
    assert answer.flags == frozenset(), "the last look counts, not the first"
    assert player.perform("measure").readings["resistance"].special == ABOVE_RANGE
    assert player.perform("measure").readings["resistance"].special == "no reading"
    assert player.perform("measure").readings["resistance"].special == NOT_A_NUMBER
    link.check_done()


def test_a_wait_that_ends_too_late(tmp_path: Path) -> None:
    player, link, clock = awkward(tmp_path, [("STATE", "S=W")] * 15)
    with pytest.raises(InstrumentFault, match=r"did not get there within 1\.5 s") as caught:
        player.perform("measure")
    assert (caught.value.instrument, caught.value.message, caught.value.reply) == ("old-meter", "STATE", "S=W")
    assert clock.monotonic() <= 1.5
    link.check_done()


def test_a_wait_ends_at_once_on_a_trip(tmp_path: Path) -> None:
    player, link, clock = awkward(tmp_path, [("STATE", "S=W"), ("abort", None), ("clear abort", None)])

    def trip() -> None:
        clock.sleep(0.04)
        player.abort()

    clock.start("trip", trip)
    with pytest.raises(LinkAborted):
        player.perform("measure")
    assert clock.monotonic() == pytest.approx(0.04)
    player.clear_abort()
    link.check_done()
    clock.close()


def test_a_wait_may_last_as_long_as_a_setting(tmp_path: Path) -> None:
    source = (DRIVERS / "ct-30.yaml").read_text(encoding="utf-8").replace(
        "    - {send: INIT}\n", "    - {send: INIT}\n    - {wait: \"STAT:OPER:COND?\", reply: \"{work:bits}\", "
        "until: [{holding: on}, {falling: on, rising: off}], within: [rise, 50 ms], every: 100 ms}\n")
    path = tmp_path / "ct-30.yaml"
    path.write_text(source, encoding="utf-8")
    settings = {"current": parse("25 A"), "rise": parse("0.3 s"), "hold": parse("1 s"), "open_volts": parse("12 V")}
    start: Exchanges = [
        ("SOUR:VOLT:PROT 12", None), ("SOUR:CURR:MODE LIST;:SOUR:LIST:CURR 0,25,25,0;DWEL 0.3,1,0.1", None), NO_ERROR,
        ("OUTP ON;*OPC?", "1"), ("INIT", None)]
    look = "STAT:OPER:COND?"
    for replies, good in ((["8", "8", "8", "16"], True), (["8", "264", "256"], True), (["8", "8", "8", "8"], False)):
        player, link, _ = opened(path, [*start, *[(look, reply) for reply in replies]])
        player.perform("prepare", **settings)
        if good:
            player.perform("energise", permit=Permit("continuity_tester"))
        else:
            with pytest.raises(InstrumentFault, match=r"within 0\.35 s"):
                player.perform("energise", permit=Permit("continuity_tester"))
        link.check_done()


def test_nothing_of_pages_and_players_needs_pyvisa() -> None:
    import subprocess
    import sys

    code = ("import sys, eolseq.instruments.player, eolseq.instruments.page as p, pathlib;"
            f"p.load_page(pathlib.Path({str(DRIVERS / 'wt-5.yaml')!r}));"
            "sys.exit('pyvisa' in sys.modules or 'serial' in sys.modules)")
    assert subprocess.run([sys.executable, "-c", code], cwd=ROOT, timeout=30, check=False).returncode == 0
