"""A talk by hand is a run through the one door: what may be sent, what never is, and what a trip does. Virtual time."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from eolseq.commands.run import bay_of
from eolseq.engine.run import RunResult, UnitRun
from eolseq.records.reader import Records
from eolseq.verification.by_hand import SERIAL, ByHand, Typed, plan_by_hand
from tests.rig import PAGES, Rig

READY = ["SOUR:VOLT 120;:SOUR:FREQ 60;:SOUR:CURR:PROT 2", "SOUR:LIST:VOLT 120;DWEL 2"]


class Script:
    """A person who types these, and what is told and noted meanwhile; a callable in between is done by the bay."""

    def __init__(self, rig: Rig, *texts: str | Callable[[], None]) -> None:
        self.rig = rig
        self.texts = list(texts)
        self.told: list[str] = []

    def next(self, pause: Callable[[float], None]) -> str | None:
        while self.texts:
            text = self.texts.pop(0)
            if isinstance(text, str):
                return text
            text()
            pause(0.3)
        return None

    def tell(self, words: str) -> None:
        self.told.append(words)

    def note(self, words: str) -> None:
        from eolseq.records.entries import Remark

        self.rig.log.append(Remark(serial=None, reason=words))


def talk(rig: Rig, name: str, *texts: str | Callable[[], None], gates: Any = ()) -> tuple[RunResult, Script, list[str]]:
    """The result, the person, and every message that went to the instrument."""
    hands = Script(rig, *texts)
    player: Any = rig.opened.players[name]
    sent: list[str] = []

    def trace(instrument: str, what: str, text: str, time: float) -> None:
        if what in ("out", "off"):
            sent.append(text)

    player.link.trace = trace
    ceilings = rig.opened.door._ceilings
    step = ByHand(f"Messages to {name}", player, PAGES[name], hands, ceilings, rig.opened.watcher.pause)
    unit = UnitRun(rig.clock, plan_by_hand(rig.station, step), bay_of(rig.opened, PAGES), rig.log, rig.events.append,
                   lambda _: rig.operator, gates, reference=True)
    result = unit.run(SERIAL)
    assert unit.crash is None
    assert not rig.opened.door.voltage_possible
    return result, hands, sent


def remarks(rig: Rig) -> list[str]:
    records = Records.open(Path(rig.station.records))
    found = [records.entry(n).payload for n in range(records.size)]
    return [each["reason"] for each in found if each["kind"] == "remark"]


def test_a_supply_is_switched_on_by_the_door_and_the_log_has_it_all(tmp_path: Path) -> None:
    with Rig(tmp_path) as rig:
        result, hands, sent = talk(rig, "power", *READY, "OUTP ON", "MEAS:VOLT?")
        kinds = [Records.open(tmp_path / "records").entry(n).payload["kind"] for n in range(rig.log.size)]
        assert str(result.outcome) == "pass" and not result.released
        assert kinds == ["genesis", "begin", "remark", "remark", "energise", "remark", "reading", "end"]
        assert remarks(rig)[0] == f"by hand to power: {READY[0]}" and "was on; seen: 1" in remarks(rig)[-1]
        assert sent.count("OUTP ON;*OPC?") == 1 and "OUTP ON" not in sent, "the door sends what its page says"
        assert "120" in hands.told[0] and "MEAS:VOLT?" in sent


@pytest.mark.parametrize(("name", "message", "words"), [
    ("power", "OUTP ON", "needs volts, hertz, current_limit, longest_on"),
    ("power", "INIT", "needs volts"),
    ("power", "SOUR:LIST:VOLT 9999;DWEL 1", "ceiling"),
    ("withstand", "SOUR:VOLT 2.1 KV", "ceiling of 2000 V"),
    ("power", "SOUR:LIST:VOLT 120;DWEL 90", "ceiling of 70 s"),
    ("withstand", "CALC1:LIM:UPP 0.011;STAT ON", "ceiling of 0.01 A"),
    ("withstand", "SOUR:LIST:VOLT 0,1230.5,1230.5,0", "between two steps"),
    ("withstand", "SOUR:VOLT MAX", "cannot be told"),
    ("withstand", "OUTP ON\x07", "printable"),
    ("withstand", "X" * 501, "500"),
    ("switching", "ROUT:CLOS (@\u0661)", "printable"),
])
def test_what_is_never_sent(tmp_path: Path, name: str, message: str, words: str) -> None:
    with Rig(tmp_path) as rig:
        assert words in Typed(PAGES[name], rig.opened.door._ceilings).refusal(message)
        result, hands, sent = talk(rig, name, message)
        assert str(result.outcome) == "pass" and words in hands.told[0] and hands.told[0].startswith("NOT SENT")
        assert message not in sent and not any("ON" in each.split() for each in sent) and remarks(rig) == []


def test_anything_else_is_sent_with_everything_off_and_its_errors_are_told(tmp_path: Path) -> None:
    with Rig(tmp_path) as rig:
        result, hands, sent = talk(rig, "withstand", "SOUR:VOLT 100", "FOO 1")
        assert str(result.outcome) == "pass"
        assert {"SOUR:VOLT 100", "FOO 1"} <= set(sent) and "-113" in hands.told[-1]
        assert remarks(rig) == ["by hand to withstand: SOUR:VOLT 100", "by hand to withstand: FOO 1"]
        assert not rig.world.guard.contactor


@pytest.mark.parametrize("message", ["OUTP 1", "OUTPut:STATe ON", "OUTP:STAT 1"])
def test_an_output_that_comes_on_by_another_spelling_is_off_at_once_and_a_fault(tmp_path: Path, message: str) -> None:
    with Rig(tmp_path) as rig:
        result, _, sent = talk(rig, "withstand", message, "*IDN?")
        assert str(result.outcome) == "fault" and "put its output on" in result.sentence
        assert sent.index("OUTP OFF;*OPC?") > sent.index(message)
        assert rig.opened.players["withstand"].perform("output").flags == frozenset()
        assert not rig.world.guard.contactor


def test_an_opened_guard_stops_the_talk(tmp_path: Path) -> None:
    with Rig(tmp_path) as rig:
        result, _, sent = talk(rig, "power", *READY, rig.world.open_guard, "OUTP ON")
        assert str(result.outcome) == "stopped" and "guard was opened" in result.sentence
        assert "OUTP ON;*OPC?" not in sent


def test_a_guard_that_opens_while_it_is_on_takes_the_voltage_away(tmp_path: Path) -> None:
    with Rig(tmp_path) as rig:
        rig.world.open_guard_after(0.5)
        result, _, sent = talk(rig, "power", *READY, "OUTP ON", "OUTP ON")
        assert str(result.outcome) == "stopped" and sent.count("OUTP ON;*OPC?") == 1


def test_a_log_that_cannot_be_written_lets_nothing_be_sent(tmp_path: Path) -> None:
    from eolseq.errors import RecordFault

    with Rig(tmp_path) as rig:
        append = rig.log.append

        def fail(entry: Any, durable: bool = True) -> int:
            if entry.kind == "remark":
                raise RecordFault("The disk is full.")
            return append(entry, durable)

        rig.log.append = fail  # type: ignore[method-assign]
        result, _, sent = talk(rig, "withstand", "SOUR:VOLT 100")
        assert str(result.outcome) == "fault" and "SOUR:VOLT 100" not in sent


def test_cautions_that_nobody_acknowledges_refuse_it(tmp_path: Path) -> None:
    with Rig(tmp_path) as rig:
        rig.operator = None
        result, _, sent = talk(rig, "withstand", "SOUR:VOLT 100")
        assert str(result.outcome) == "refused" and sent == []
