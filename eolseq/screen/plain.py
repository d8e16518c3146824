"""A run told in plain lines, one a happening: for pipes, files, logs and terminals that cannot be redrawn."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TextIO

from eolseq.bands.band import Outcome, shown
from eolseq.engine.events import (
    Acknowledged,
    Cautions,
    Event,
    Instruction,
    JudgedReading,
    RunBegins,
    RunEnds,
    SafetyState,
    StepBegins,
    StepEnds,
    StepPlan,
)
from eolseq.screen.outlet import Outlet
from eolseq.screen.words import ASK, RUN_WORDS, SIMULATED, STEP_WORDS, clean, record_words, safety_words


class Plain:
    """Writes one line per happening; live readings are left out."""

    def __init__(self, stream: TextIO) -> None:
        self._outlet = Outlet(stream)
        self._prefix = ""
        self._trial = False
        self._steps: tuple[StepPlan, ...] = ()
        self._safety = ""

    def tell(self, event: Event) -> None:
        """Write what happened; never waits for the reader."""
        say = _SAID.get(type(event))
        if say is not None:
            say(self, event)
            self._outlet.flush()

    def ask_acknowledgement(self) -> str | None:
        """Ask for the operator's id and read it from the terminal; None at the end of input or Ctrl-C."""
        from eolseq.screen.asking import read_operator

        self._outlet.write(ASK)
        self._outlet.flush()
        return read_operator()

    def close(self) -> None:
        """Write what is left."""
        self._outlet.finish()

    def _line(self, text: str) -> None:
        self._outlet.write(f"{self._prefix}{clean(text)}\n")

    def _begins(self, event: RunBegins) -> None:
        self._prefix, self._steps = f"{SIMULATED} " if event.simulated else "", event.steps
        self._trial = event.trial
        trial = ", TRIAL: releases nothing" if event.trial else ""
        self._line(f"unit {event.serial}, attempt {event.attempt}, sequence {event.sequence}, station {event.station}, "
                   f"{event.bay}{trial}")

    def _cautions(self, event: Cautions) -> None:
        for text in (*event.standard, *event.own):
            self._line(f"WARNING: {text}")

    def _acknowledged(self, event: Acknowledged) -> None:
        self._line(f"cautions acknowledged by {event.operator}")

    def _instruction(self, event: Instruction) -> None:
        self._line(f"DO NOW: {event.text}")

    def _safety_state(self, event: SafetyState) -> None:
        words = safety_words(event)
        signal = "DANGER: " if words.danger else ""
        lamps = f"lamps: {words.red}, {words.green}; {words.lock}"
        text = f"{signal}{words.headline}. {words.action} ({words.state}; {lamps})"
        if text != self._safety:
            self._safety = text
            self._line(text)

    def _place(self, index: int) -> str:
        name = self._steps[index].name if 0 <= index < len(self._steps) else "unknown step"
        return f"step {index + 1} of {len(self._steps)}, {name}"

    def _step_begins(self, event: StepBegins) -> None:
        about = f", about {self._steps[event.index].seconds:.1f} s" if 0 <= event.index < len(self._steps) else ""
        self._line(f"{self._place(event.index)}: begins{about}")

    def _step_ends(self, event: StepEnds) -> None:
        for reading in event.readings:
            self._line(f"{self._place(event.index)}: {_said(reading)}")
        self._line(f"{self._place(event.index)}: {STEP_WORDS[event.outcome]}. {event.sentence}")

    def _ends(self, event: RunEnds) -> None:
        trial = "TRIAL, RELEASES NOTHING: " if self._trial else ""
        self._line(f"{trial}{RUN_WORDS[event.outcome]}. {event.sentence}")
        self._line(record_words(event))


def _said(judged: JudgedReading) -> str:
    verdict = "" if judged.outcome is Outcome.PASS else f" {STEP_WORDS[judged.outcome]}"
    return f"{judged.name} {shown(judged.reading, judged.band)} ({judged.band}){verdict}"


_SAID: dict[type, Callable[[Plain, Any], None]] = {
    RunBegins: Plain._begins,
    Cautions: Plain._cautions,
    Acknowledged: Plain._acknowledged,
    Instruction: Plain._instruction,
    SafetyState: Plain._safety_state,
    StepBegins: Plain._step_begins,
    StepEnds: Plain._step_ends,
    RunEnds: Plain._ends,
}
