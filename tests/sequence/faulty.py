"""Faulty sequences, one for each code of a finding: edits of ``sound.yaml``, and where the finding must stand.

All of it is invented. ``line`` counts in the edited text, so that the place is held too.
"""

from typing import NamedTuple

LAST_STEP = '''  - kind: power_input
    name: Input
    volts: 240 V
    hertz: 60 Hz
    current_limit: 20 A
    warm_up: 1 s
    settled: {change: 1 %, over: 1 s, within: 5 s}
    band: {at_least: 5400 W, at_most: 6300 W, basis: invented}
    amps: {at_least: 10 A, at_most: 19 A, basis: invented}
    run_down: 1 s
    applied: {volts: {at_least: 235 V, at_most: 245 V}, hertz: {at_least: 59 Hz, at_most: 61 Hz}}
    residual: {after: 2 s, at_most: 60 V, basis: invented}
    connections: {closed: [{part: stage-1, by: coil, delay: 200 ms}, {part: fan, by: coil, delay: 200 ms}]}
'''
POINTS = "[panel, frame]"
MANY = ", ".join(f"part-{number:03d}" for number in range(38))


class Faulty(NamedTuple):
    """Edits of the sound file that must give a finding of this code and severity at a line, saying these words."""

    code: str
    severity: str
    edits: tuple[tuple[str, str], ...]
    line: int
    words: str


def row(code: str, severity: str, old: str, new: str, line: int, words: str) -> Faulty:
    """A row with a single edit."""
    return Faulty(code, severity, ((old, new),), line, words)


CAPACITOR = "  metal_parts: [panel, frame]\n"
STORED = CAPACITOR + "  stored_charge: [{between: [L, N], capacitance: 6 uF, bleeder: %s}]\n"
VOLTAGE_ROW = "voltage: {from: row, row: ul-60335-2-40-to-250-%s, over: 30 %%, source: invented}"
WRITTEN = "voltage: {at_least: 1200 V}, time: {at_least: 1 s}"

FAULTY: tuple[Faulty, ...] = (
    row("unbonded-part", "error", POINTS + "\n    wires", "[panel, frme]\n    wires", 11, "did you mean 'frme'?"),
    row("no-metal-parts", "warning", CAPACITOR, "", 7, "names no metal_parts"),
    row("not-tied", "warning", "tied: [L, N], ", "", 46, "no conductors are tied"),
    row("nothing-closed", "warning", ", return: earth, closed: [{part: stage-1, by: coil, delay: 200 ms}]}", ", return: earth}",
        46, "nothing is closed"),
    row("hazard", "note", "name: Withstand", "name: High voltage", 33, "DANGER: puts 1230 V ac on the unit"),
    row("slow-discharge", "warning", CAPACITOR, STORED % "1 Mohm", 58, "needs 10.40 s from 339 V (crest) to 60 V"),
    row("no-row", "note", "name: Withstand", "name: High voltage", 44, "names a row of a standard"),
    row("short-hold", "error", WRITTEN, (VOLTAGE_ROW % "60s") + ", time: {at_least: 1 s}", 39, "asks for 60 s"),
    Faulty("low-voltage", "error", ((WRITTEN, "voltage: {at_least: 1100 V}, time: {from: row, row: "
                                     "ul-60335-2-40-to-250-1s, over: 50 %, source: invented}"),), 37,
           "accepted from 1100 V, and the row ul-60335-2-40-to-250-1s asks for 1200 V"),
    Faulty("type-test-row", "warning", (("rated: {voltage: 240 V, frequency: 60 Hz}", "rated: {voltage: 240 V, frequency: 60 "
                                         "Hz, motor: 0.333 hp}"), ("hold: 1 s", "hold: 60 s"),
                                        (WRITTEN, "voltage: {from: row, row: ul-705-small-ac-60s, over: 30 %, source: "
                                         "invented}, time: {at_least: 60 s}")), 44, "is that of a type test"),
    row("high-trip", "warning", "trip: 5 mA", "trip: 6 mA", 41, "more than 2 times what the band needs, 2.8 mA"),
    Faulty("insensitive-trip", "error", (("trip: 5 mA", "trip: 10.3 mA"), ("at_most: 2.8 mA", "at_most: 9 mA"),
                                         (WRITTEN, (VOLTAGE_ROW % "1s") + ", time: {at_least: 1 s}")), 41,
           "120 kohm, which the row ul-60335-2-40-to-250-1s wants to be found, draws 10.25 mA at 1230 V"),
    row("not-reconnected", "error", "tied: [L, N], ", "tied: [L, N], disconnected: [control-board, fan], ", 46,
        "has 'control-board' disconnected"),
    row("closed-unproved", "warning", "closed: [{part: stage-1, by: coil, delay: 200 ms}]}\n  - kind: motor",
        "closed: [{part: stage-2, by: coil, delay: 200 ms}]}\n  - kind: motor", 46, "closes 'stage-2'"),
    row("weak-source", "error", "at_most: 0.1 ohm", "at_most: 0.6 ohm", 20, "takes 15 V, and the open leads have 12 V"),
    Faulty("weak-source", "error", (("    connections: {closed: [{part: fan, by: coil, delay: 200 ms}]}\n",
                                     "    connections: {closed: [{part: fan, by: coil, delay: 200 ms}]}\n" + LAST_STEP),), 63,
           "6300 W at 240 V take 26.2 A, and the source ends at 20 A"),
    Faulty("record-too-large", "error", ((POINTS + "\n    wires", f"[panel, frame, {MANY}]\n    wires"),
                                         ("basis: invented", f"basis: {'why ' * 99}")), 13, "65535 is the most"),
)
