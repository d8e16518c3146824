"""``eolseq talk``: ask an instrument by hand what its page lists; with ``--energise``, tell it anything, guarded."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands import signing
from eolseq.commands.instruments import wrapped
from eolseq.commands.tracing import trace_argument, traced
from eolseq.commands.unitless import NOTHING, without_unit
from eolseq.errors import InstrumentFault, Refused, WrongUse

if TYPE_CHECKING:
    from eolseq.commands.wiring import Wires
    from eolseq.engine.events import Cautions
    from eolseq.instruments.page_model import Page
    from eolseq.records.keys import SigningKey
    from eolseq.records.log import Log
    from eolseq.station.file import InstrumentPlace, Station
    from eolseq.station.open import OpenStation

NAME = "talk"
HELP = """ask an instrument by hand; with --energise, tell it

Without --energise only the questions that its driver page lists are sent; an empty line lists them, Ctrl-D ends.

DANGER: with --energise anything else is sent too, and the page's own messages put test voltage on the bay.
Maintenance signs in (--key), the cautions are acknowledged, the guard is closed and watched, the station's ceilings
hold, and voltage comes through the one door only. The hard-wired interlock is the safety function, never this
program."""

PROMPT_LOOKS = 0.05  # seconds between two looks at the keyboard


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the instrument, the station, what is sent and who answers for it."""
    parser.add_argument("instrument", metavar="INSTRUMENT", help="its name in the station file")
    parser.add_argument("--station", metavar="S", type=Path, required=True, help="the station file")
    parser.add_argument("--send", metavar="TEXT", nargs="+", help="send these and end; without it there is a prompt")
    parser.add_argument("--energise", action="store_true", help="send what is no listed question too; see above")
    parser.add_argument("--acknowledge", metavar="OPERATOR",
                        help="with --energise: acknowledge the cautions in this name; simulated stations only")
    signing.signing_arguments(parser)
    trace_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Talk; 0 when everything was answered, 3 when something may not be sent."""
    from eolseq.commands.run import pages_of
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    path = find(options.station, shipped=True)
    station = load_station(path)
    place = _place(station, options.instrument)
    pages = pages_of(station)
    page = _page_of(place, pages)
    texts = _texts(options)
    if not options.energise:
        return _ask(options, station, path, place, page, texts)
    _refuse_options(options, station, pages, page)
    _refuse_texts(station, page, texts)
    return _by_hand(options, station, path, place, pages, signing.person_key(options), texts)


# -- what may be asked for --------------------------------------------------------------------------------------


def _place(station: Station, name: str) -> InstrumentPlace:
    for each in station.instruments:
        if each.name == name:
            return each
    raise WrongUse(f"This station has no instrument {name}.",
                   f"They are {', '.join(each.name for each in station.instruments)}.")


def _page_of(place: InstrumentPlace, pages: Mapping[str, Any]) -> Page:
    from eolseq.instruments.page_model import Page

    page = pages[place.name]
    if not isinstance(page, Page):
        raise Refused(f"{place.name} has registers, not messages.",
                      "See 'eolseq instruments' for who it is; its page says what is read.")
    return page


def _texts(options: argparse.Namespace) -> list[str] | None:
    """The messages of the command line; None at a prompt."""
    if options.send is not None:
        return list(options.send)
    if not sys.stdin.isatty():
        raise WrongUse("There is no terminal to type in.", "Give --send with the messages.")
    return None


def _refuse_options(options: argparse.Namespace, station: Station, pages: Mapping[str, Any], page: Page) -> None:
    """Whatever can be refused before anything is opened."""
    roles = {each.role for each in pages.values()}
    if page.role == "guard_unit":
        raise Refused("The guard unit takes orders from the watcher alone.", "Ask it only what its page lists.")
    if page.role == "switching_unit" and len(station.bays) > 1:
        raise Refused("The relays of several bays are switched by the program alone.",
                      "Ask it only what its page lists.")
    if "residual_meter" not in roles:
        raise Refused(f"{station.name} has no residual meter, so dead could not be shown afterwards.",
                      "Work on this instrument off the bench.")
    if not station.simulated and options.acknowledge is not None:
        raise Refused(f"--acknowledge is for simulated stations only; {station.name} is real.", "Leave it out.")
    if not station.simulated and options.key is None:
        raise Refused("Maintenance signs in before anything is energised by hand.", "Give --key.")
    if options.acknowledge is None and not sys.stdin.isatty():
        raise Refused("Nobody is there to acknowledge the cautions.", "Start it in a terminal.")


def _refuse_texts(station: Station, page: Page, texts: list[str] | None) -> None:
    """All of the command line's messages are judged before anything is opened, in their order."""
    from eolseq.instruments.hand_messages import only_asks
    from eolseq.verification.by_hand import Typed

    typed = Typed(page, _ceilings(station))
    for text in texts or ():
        refusal = "" if only_asks(page, text) else typed.refusal(text)
        if refusal:
            raise Refused(f"'{text}' is not sent. {refusal}", "Nothing was sent.")


def _ceilings(station: Station) -> Any:
    from eolseq.guard.opening import Ceilings

    most = station.ceilings
    return Ceilings(most.volts, most.trip_current, most.amps, most.seconds)


# -- questions --------------------------------------------------------------------------------------------------


def _ask(options: argparse.Namespace, station: Station, path: Path, place: InstrumentPlace, page: Page,
         texts: list[str] | None) -> int:
    from eolseq.commands.bench import held
    from eolseq.commands.verify import bench_of
    from eolseq.commands.wiring import real_wires
    from eolseq.instruments.hand_messages import only_asks

    for text in texts or ():
        if not only_asks(page, text):
            raise Refused(f"'{text}' is no question that the page of {place.name} lists.",
                          f"They are: {_listed(page)}. Anything else needs --energise.")
    with ExitStack() as stack:
        stack.enter_context(held(station))
        addresses, _ = stack.enter_context(bench_of(station, path))
        wires = stack.enter_context(traced(real_wires(addresses), options))
        return _ask_at(_shown(wires, place.name), station, place, page, texts)


def _ask_at(wires: Wires, station: Station, place: InstrumentPlace, page: Page, texts: list[str] | None) -> int:
    from eolseq.station.open import connected
    from eolseq.verification.by_hand import MESSAGE_WITHIN

    player, link = connected(place, page, wires.addresses[place.name], wires.manager, wires.clock)
    code = 0
    try:
        identity = player.open()
        if identity.serial != place.serial:
            raise InstrumentFault(f"{place.name} reports the serial number {identity.serial}, not {place.serial}.",
                                  "Connect the right instrument, or have its entry in the station file changed.",
                                  instrument=place.name, reply=identity.raw)
        hands = _Typing(page, texts)
        while (text := hands.next(wires.clock.sleep)) is not None:
            code = max(code, _ask_one(player, page, hands, text, MESSAGE_WITHIN))
    finally:
        link.close()
    return code


def _ask_one(player: Any, page: Page, hands: _Typing, text: str, within: float) -> int:
    """One question; a line that failed is opened afresh by the next one."""
    from eolseq.instruments.hand_messages import only_asks

    if not only_asks(page, text):
        hands.tell(f"NOT SENT: no question that the page lists. They are: {_listed(page)}. Anything else needs "
                   "--energise.")
        return 3
    try:
        player.say(text, within)
    except InstrumentFault as error:
        hands.tell(str(error))
        return error.exit_code
    return 0


def _listed(page: Page) -> str:
    from eolseq.instruments.hand_messages import questions

    return ", ".join(questions(page))


# -- by hand ----------------------------------------------------------------------------------------------------


def _by_hand(options: argparse.Namespace, station: Station, path: Path, place: InstrumentPlace,
             pages: Mapping[str, Any], key: SigningKey | None, texts: list[str] | None) -> int:
    from eolseq.commands import run as running
    from eolseq.commands.bench import at_bench
    from eolseq.commands.verify import refuse_key

    with at_bench(options, station, path, pages, sys.stdout) as at:
        opened, log, tell = at.opened, at.log, at.screen.tell
        refuse_key(log, key)
        hands = _Typing(pages[place.name], texts, log, signed_in(log, key))
        result, crash = _session(at.wires, opened, pages, place, log, tell, at.asking, hands)
    if crash is not None:
        import traceback

        traceback.print_exception(crash, file=sys.stderr)
    return running.EXITS[str(result.outcome)]


def signed_in(log: Log, key: SigningKey | None) -> str:
    """Who signed in with a key, in words for the log; empty without one."""
    if key is None:
        return ""
    from eolseq.records.approvals import Standing

    return f", {Standing(log.documents).registry.keys[key.keyid].holder} of maintenance signed in with key {key.keyid}"


def _session(wires: Wires, opened: OpenStation, pages: Mapping[str, Any], place: InstrumentPlace, log: Log,
             tell: Callable[[Any], None], asking: Callable[[Cautions], str | None],
             hands: _Typing) -> tuple[Any, Exception | None]:
    """One engine run on a reserved serial, whose only step is the talk."""
    from eolseq.commands.approving import FilesGate
    from eolseq.commands.run import bay_of
    from eolseq.engine.run import UnitRun
    from eolseq.verification.by_hand import SERIAL, ByHand, plan_by_hand

    there = opened.station.bay_of(place.name)
    bay = opened.bay(there) if there else next(each for each in opened.bays if place.name in each.players)
    player: Any = opened.players[place.name]
    player.link.trace = _showing(place.name, player.link.trace)
    step = ByHand(f"Messages to {place.name}", player, pages[place.name], hands, _ceilings(opened.station),
                  bay.watcher.pause)
    gate = FilesGate(opened.station, pages, log, wires.clock.now().date())
    unit = UnitRun(wires.clock, plan_by_hand(opened.station, step), bay_of(opened, pages, bay.name), log,
                   without_unit(NOTHING, tell), asking, [gate], reference=True)
    return unit.run(SERIAL), unit.crash


# -- the person -------------------------------------------------------------------------------------------------


class _Typing:
    """The texts of the command line, or what is typed at the prompt; what is noted goes into the log."""

    def __init__(self, page: Page, texts: list[str] | None, log: Log | None = None, by: str = "") -> None:
        self._page = page
        self._texts = texts
        self._log = log
        self._by = by
        self._begun = False

    def next(self, pause: Callable[[float], None]) -> str | None:
        """The next message; None at the end."""
        if not self._begun:
            self._begun = True
            if self._by:
                self.note(f"talk begins{self._by}")
        if self._texts is not None:
            return self._texts.pop(0) if self._texts else None
        while (line := _line(pause)) == "":
            self.tell(f"questions: {_listed(self._page)}; Ctrl-D ends")
        return line

    def tell(self, words: str) -> None:
        """Show something to the person."""
        print(wrapped(signing.visible(words)), flush=True)

    def note(self, words: str) -> None:
        """A remark in the log, durable; nothing without a log, where nothing can be told to an instrument."""
        if self._log is not None:
            from eolseq.records.entries import Remark

            self._log.append(Remark(serial=None, reason=words))


def _line(pause: Callable[[float], None]) -> str | None:
    """A line typed at the prompt, None at its end; the wait ends with an error on a trip."""
    import select

    print("talk> ", end="", flush=True)
    while not select.select([sys.stdin], [], [], 0)[0]:
        pause(PROMPT_LOOKS)
    line = sys.stdin.readline()
    if not line:
        print()
        return None
    return line.strip()


def _shown(wires: Wires, name: str) -> Wires:
    """The same wires, with the traffic of one instrument shown, and traced where a trace was asked for."""
    from dataclasses import replace

    from eolseq.instruments.tracing import TracingManager

    trace = _showing(name, getattr(wires.manager, "trace", None))
    return replace(wires, manager=TracingManager(wires.manager, trace))


def _showing(name: str, also: Any) -> Callable[[str, str, str, float], None]:
    """Shows the traffic of an instrument: what goes out, what comes in, and how long that took."""
    asked = [0.0]

    def trace(instrument: str, what: str, text: str, time: float) -> None:
        if also is not None:
            also(instrument, what, text, time)
        if what == "wait":
            return
        if what == "out":
            asked[0] = time
        arrow = {"out": "->", "in": "<-", "off": "-> OFF:"}.get(what, "FAILED:")
        took = f"   ({(time - asked[0]) * 1000:.2f} ms)" if what == "in" else ""
        print(signing.visible(f"{name} {arrow} {text}{took}"), flush=True)
    return trace
