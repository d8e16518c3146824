"""Messages by hand to an instrument of an open station: an engine run on a reserved serial, through the one door.

What the page lists as a question is asked. What the page energises with is carried out by the door to voltage, with the
settings that were typed before. Anything else is sent while the guard is closed and watched, nothing is energised and
the contactor is open; an output that comes on all the same is turned off at once and is a fault.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any, Protocol

from eolseq.bands.band import AcceptanceBand
from eolseq.bands.decision import Rule
from eolseq.errors import InstrumentFault, LinkFault, Place, StationFault
from eolseq.guard.opening import Ceilings
from eolseq.instruments.hand_messages import (
    LONGEST_MESSAGE,
    above_ceiling,
    fixed_settings,
    only_asks,
    settings_in,
    switches_on,
)
from eolseq.instruments.page_model import UNUSED, Page
from eolseq.instruments.player import Player
from eolseq.instruments.roles import ROLES
from eolseq.quantity import Quantity, parse
from eolseq.sequence.model import UnitData
from eolseq.serials import BY_HAND
from eolseq.shape import Item
from eolseq.station.file import Station
from eolseq.steps.base import Bench, Connections, Evidence, Powered
from eolseq.steps.watching import gathering, looks, named, wait_for_next
from eolseq.verification.plan import Plan

SERIAL = BY_HAND
MESSAGE_WITHIN = 2.0   # seconds for one message and its reply
LONGEST_SUPPLY = 2.0   # seconds that a supply is on by hand, at most
ROUTES = {"withstand_tester": "withstand", "continuity_tester": "continuity", "power_source": "power"}
"""By role: the relays that bring a source to the unit's terminals, where the residual meter sees it."""

CAUTIONS = (
    "Messages by hand: what is typed is sent, and nobody has checked what it does to the instrument.",
    "Take the unit out of the bay. Two people; nobody touches leads or fixture until the hard-wired green lamp is lit.",
)
_DEAD = AcceptanceBand(None, parse("25 V"), "nothing is on: it must read dead, under 25 V (EN 50191:2010 scope 1.2)")


class Hands(Protocol):
    """The person who types, or the texts of the command line."""

    def next(self, pause: Callable[[float], None]) -> str | None:
        """The next message, None at the end; waits with ``pause``, which ends with an error on a trip."""

    def tell(self, words: str) -> None:
        """Show something to the person."""

    def note(self, words: str) -> None:
        """Write something into the log, durable before this returns."""


@dataclass
class Typed:
    """What may be sent, judged message by message; ``given`` gathers the settings that came so far."""

    page: Page
    ceilings: Ceilings
    given: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.given = fixed_settings(self.page)

    def refusal(self, message: str) -> str:
        """Why a message is not sent, with what to do; an empty text takes it in."""
        if not message.isascii() or not message.isprintable() or len(message) > LONGEST_MESSAGE:
            return f"A message has at most {LONGEST_MESSAGE} printable ASCII letters. Type it again."
        if switches_on(self.page, message):
            return self._cannot_switch_on()
        settings = settings_in(self.page, message)
        misfit = next((why for name, value in settings.items() if (why := self.page.fits(name, value))), "")
        limits = {"V": self.ceilings.volts, "A": self.ceilings.amps}
        why = misfit or self.ceilings.refuse(settings) or above_ceiling(self.page, message, limits)
        if why:
            return f"{why} Ask for less; ceilings are set in the station file."
        self.given.update(settings)
        return ""

    def _cannot_switch_on(self) -> str:
        missing = [name for name in self.wanted() if name not in self.given]
        lines = [line.message.source for line in self.page.does["prepare"].lines
                 if not hasattr(line, "seconds") and set(line.message.names) & set(missing)]
        return "" if not missing else (f"Before it is switched on it needs {', '.join(missing)}. Type first, as its "
                                       f"page sends it: {' and '.join(lines)}.")

    def wanted(self) -> list[str]:
        """The settings that the source must have, by what is given so far."""
        unused = {name for (key, word), names in UNUSED.items() if self.given.get(key) == word for name in names}
        return [name for name in self.page.does["prepare"].settings if name not in unused]


@dataclass(frozen=True)
class ByHand:
    """The one step of a session by hand."""

    name: str
    player: Player
    page: Page
    hands: Hands
    ceilings: Ceilings
    pause: Callable[[float], None]

    kind = "by_hand"

    @property
    def connections(self) -> Connections:
        """Nothing but the source's own way to the unit, while it is on."""
        return Connections()

    def seconds(self) -> float:
        """How long it takes, about."""
        return 10.0

    def roles(self) -> tuple[str, ...]:
        """The instruments it needs."""
        return (self.player.role, "residual_meter", *(["switching_unit"] if self.player.role in ROUTES else []))

    def bands(self) -> tuple[tuple[str, AcceptanceBand], ...]:
        """At the end everything must be dead."""
        return (("volts at the end", _DEAD),)

    def highest_volts(self) -> Quantity | None:
        """Whatever the station's ceiling lets through."""
        return Quantity(Decimal(repr(self.ceilings.volts)), "V") if ROLES[self.player.role].danger else None

    def settings(self) -> tuple[tuple[str, Mapping[str, Any]], ...]:
        """Not known before they are typed."""
        return ()

    def measures(self) -> tuple[tuple[str, str, Quantity], ...]:
        """None that must be foreseen."""
        return ()

    def routes(self) -> tuple[str, ...]:
        """None that must be there."""
        return ()

    def settings_for_log(self) -> dict[str, str]:
        """They stand in the remarks, message by message."""
        return {}

    def run(self, bench: Bench) -> Evidence:
        """Every message in turn; at the end the volts at the unit's terminals."""
        typed = Typed(self.page, self.ceilings)
        with gathering() as found:
            while (message := self.hands.next(self.pause)) is not None:
                refusal = typed.refusal(message) if not only_asks(self.page, message) else ""
                if refusal:
                    self.hands.tell(f"NOT SENT. {refusal}")
                elif switches_on(self.page, message):
                    self._switch_on(bench, typed)
                else:
                    self._say(message)
            seen = bench.instrument("residual_meter").perform("measure").readings["volts_peak"]
            found.take(named(seen, "volts at the end", "V"), _DEAD)
        return found.evidence()

    def _say(self, message: str) -> None:
        """Send it with everything off; the log knows of it first, unless it only asks."""
        asking = only_asks(self.page, message)
        if not asking:
            self.hands.note(f"by hand to {self.player.name}: {message}")
        self.pause(0.0)
        self.player.say(message, MESSAGE_WITHIN)
        if not asking:
            self._look_after()

    def _look_after(self) -> None:
        """Nothing may have come on, and what the instrument complains of is told."""
        if ROLES[self.player.role].danger and "on" in self.player.perform("output").flags:
            self.player.perform("off")
            raise StationFault(f"{self.player.name} put its output on by a message that its page does not know for it; "
                               "it was turned off, and the contactor was open all the time.",
                               "Switch it on with the messages of its driver page.")
        try:
            self.player.check_errors()
        except LinkFault:
            raise
        except InstrumentFault as error:
            self.hands.tell(f"{self.player.name} reports: {error.reply}")

    def _switch_on(self, bench: Bench, typed: Typed) -> None:
        """The page's own energise, by the door; for as long as the source times itself, or a moment for a supply."""
        role = self.player.role
        settings = {name: typed.given[name] for name in typed.wanted()}
        self.hands.tell("The door to voltage switches it on: " + ", ".join(f"{n} {v}" for n, v in settings.items()))
        with bench.connected(ROUTES[role], Connections()), bench.energised(role, settings) as source:
            last = self._watched(bench, source, settings)
        said = ", ".join(str(each) for each in last.readings.values())
        self.hands.tell(f"Off, and dead. Seen: {said}")
        self.hands.note(f"by hand, {self.player.name} was on; seen: {said}")

    def _watched(self, bench: Bench, source: Powered, settings: Mapping[str, Any]) -> Any:
        """Look at it until its own time is over; a supply has none, so it gets a moment."""
        if "longest_on" not in settings:
            profile = sum(float(settings.get(name, 0.0)) for name in ("rise", "hold", "fall"))
            seen = [look.answer for look in looks(bench, source, profile)]
            return max(seen, key=lambda each: sum(abs(r.base) for r in each.readings.values() if r.base is not None))
        until = bench.clock.monotonic() + min(LONGEST_SUPPLY, float(settings["longest_on"]) / 2)
        while True:
            now = bench.clock.monotonic()
            answer = source.sample()
            if now >= until:
                return answer
            wait_for_next(bench, source, now)


def plan_by_hand(station: Station, step: ByHand) -> Plan:
    """The session in the place of a sequence."""
    text = json.dumps(["by hand", step.player.name]).encode()
    return Plan(name="Messages by hand", version="1", path=station.path, unit=UnitData(
        ("messages by hand",), BY_HAND, "I", {}, ()), cautions=CAUTIONS, steps=(step,), source=text,
        item=Item({"steps": ()}, Place(str(station.path), 1, 1), {}), decision=Rule(least_ratio=Decimal(0)))
