"""The words a technician reads, and the care taken with text that comes from files and instruments."""

from __future__ import annotations

from dataclasses import dataclass

from eolseq.bands.band import Outcome
from eolseq.engine.events import RunEnds, SafetyState

SIMULATED = "SIMULATED"

RUN_WORDS: dict[Outcome, str] = {
    Outcome.PASS: "PASS",
    Outcome.FAIL: "FAIL",
    Outcome.UNDECIDED: "REJECT, TO QUALITY",
    Outcome.STOPPED: "STOPPED",
    Outcome.FAULT: "STATION FAULT",
    Outcome.REFUSED: "REFUSED",
    Outcome.NOT_REACHED: "NOT REACHED",
}
"""What the large word at the end says."""

STEP_WORDS: dict[Outcome, str] = RUN_WORDS | {
    Outcome.PASS: "pass",
    Outcome.UNDECIDED: "REJECT",
    Outcome.FAULT: "FAULT",
    Outcome.NOT_REACHED: "not reached",
}
"""The same in the narrow column beside a step: capitals for what a person must act on."""

ASK = "Type your operator id and press Enter to acknowledge every caution above: "


@dataclass(frozen=True)
class SafetyWords:
    """What is said about voltage: one large word, a headline, what to do, and lamps and lock as read back."""

    large: str
    headline: str
    action: str
    red: str
    green: str
    lock: str
    state: str

    @property
    def danger(self) -> bool:
        """Whether the signal word is DANGER: voltage may be present."""
        return self.large == "DANGER"


def clean(text: str) -> str:
    """The text on one line without control characters, so that no file or instrument can steer the terminal."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else " " if c.isspace() else "?" for c in text)


def safety_words(safety: SafetyState | None) -> SafetyWords:
    """Put the safety state into words; a lamp that disagrees or is not seen is never called safe."""
    if safety is None:
        safety = SafetyState("", False, None, None, None)
        large, headline, action = "WAIT", "VOLTAGE NOT KNOWN YET", "Treat as live. Keep out."
    elif safety.voltage_possible:
        large, headline, action = "DANGER", "VOLTAGE MAY BE PRESENT", "Keep out. Touch nothing."
    elif safety.red is True:
        large, headline, action = "DANGER", "RED LAMP ON: TREAT AS LIVE", "Keep out. Call maintenance."
    elif safety.green is True:
        large, headline, action = "OFF", "NO TEST VOLTAGE", "Go by the hard-wired lamp."
    else:
        large, headline, action = "WAIT", "OFF, GREEN LAMP NOT SEEN", "Keep out until it is lit."
    return SafetyWords(large, headline, action, _lamp("red", safety.red), _lamp("green", safety.green),
                       _lock(safety.locked), clean(safety.state).replace("_", " "))


def _lamp(colour: str, lit: bool | None) -> str:
    if lit is None:
        return f"? {colour} lamp"
    return f"● {colour.upper()} ON" if lit else f"○ {colour} off"


def _lock(locked: bool | None) -> str:
    if locked is None:
        return "? lock"
    return "guard LOCKED" if locked else "not locked"


def record_words(event: RunEnds) -> str:
    """Where the record of a run is, or that there is none."""
    if event.log is None:
        return "no test record: nothing was energised" if event.outcome is Outcome.REFUSED else "NO RECORD WAS KEPT"
    return f"record: {event.log}" + ("" if event.index is None else f", entry {event.index}")
