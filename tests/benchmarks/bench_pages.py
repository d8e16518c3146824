"""What a driver page costs: a message through the player, its link left out, beside a yardstick of the same run.

Run it as ``python tests/benchmarks/bench_pages.py``. The yardstick does by hand, for that one message, the least that
still keeps the digits: split the reply, make decimals and readings of its fields, test the bits. Times are of this
process's own CPU, the least of several rounds.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from decimal import Decimal
from functools import partial
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from eolseq.bands.band import Reading
from eolseq.clock import VirtualClock
from eolseq.instruments.page import load_page
from eolseq.instruments.player import Player
from eolseq.instruments.roles import Answer

DRIVERS = Path(__file__).parents[2] / "drivers"
ROUNDS, COUNT = 7, 3000

HOT = {
    "wt-5": ("measure", "+1.230000E+03;+1.812000E-03;+1.000000E-05;+5.020000E-01;16;0",
             (("voltage", "V"), ("current_total", "A"), ("current_in_phase", "A"), ("elapsed", "s")),
             ({3: "rising", 4: "holding", 8: "falling"}, {1: "tripped"})),
    "ct-30": ("measure", "+2.501000E+01;+3.120000E-02;16", (("current", "A"), ("resistance", "ohm")),
              ({3: "rising", 4: "holding", 8: "falling"},)),
    "am-1": ("measure", "+2.401000E+00", (("current_rms", "A"),), ()),
    "gu-2": ("look", "3840;512", (), ({8: "contact_a", 9: "contact_b", 10: "locked", 11: "contactor",
                                       12: "stop_button"}, {9: "red", 10: "green"})),
}


class OneAnswer:
    """A link that always answers the same."""

    dirty = False

    def __init__(self, answer: str) -> None:
        self.answer = answer

    def ask(self, message: str, within: float) -> str:
        return self.answer


def seconds_of(work: Callable[[], object]) -> float:
    """CPU seconds of one call, the least of several rounds."""
    least = float("inf")
    for _ in range(ROUNDS):
        start = time.process_time()
        for _ in range(COUNT):
            work()
        least = min(least, (time.process_time() - start) / COUNT)
    return least


def by_hand(text: str, readings: tuple[tuple[str, str], ...], registers: tuple[dict[int, str], ...]) -> Answer:
    """The yardstick."""
    fields = text.split(";")
    found = {name: Reading(name, Decimal(field), unit, field, "", 0.0, "bench")
             for (name, unit), field in zip(readings, fields, strict=False)}
    flags = {name for register, field in zip(registers, fields[len(readings):], strict=True)
             for bit, name in register.items() if int(field) >> bit & 1}
    return Answer(found, frozenset(flags))


def player_of(stem: str, answer: str) -> Player:
    """A player that has been opened and then always hears the same answer."""
    page = replace(load_page(DRIVERS / f"{stem}.yaml"), errors=None)
    link = OneAnswer(f"Aldervale Instruments (simulated),{page.model},SIM-0001,1.0")
    player = Player("bench", page, link, VirtualClock())  # type: ignore[arg-type]
    player.open()
    link.answer = answer
    return player


def main() -> None:
    for stem, (action, answer, readings, registers) in HOT.items():
        player = player_of(stem, answer)
        played = player.perform(action)
        hand = by_hand(answer, readings, registers)
        if (played.flags, [each.value for each in played.readings.values()]) != \
                (hand.flags, [each.value for each in hand.readings.values()]):
            raise SystemExit(f"{stem}: player and yardstick differ")
        cost = seconds_of(partial(player.perform, action)) * 1e6
        least = seconds_of(partial(by_hand, answer, readings, registers)) * 1e6
        print(f"{stem:6} {action:8} {cost:5.1f} us through the page, {least:5.1f} us by hand, ratio {cost / least:.2f}")
    start = time.process_time()
    pages = [load_page(path) for path in sorted(DRIVERS.glob("*.yaml"))]
    print(f"loading {len(pages)} pages: {(time.process_time() - start) / len(pages) * 1e3:.1f} ms each")


if __name__ == "__main__":
    main()
