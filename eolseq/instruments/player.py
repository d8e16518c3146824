"""Plays a driver page over a link: actions by name in, answers out. The instrument as the rest of the program sees it.

After any failed exchange the line is opened afresh, a dangerous output is turned off again and the identity is asked
before anything else, so that an answer which comes late is never taken for another one.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from eolseq.clock import Clock
from eolseq.errors import InstrumentFault, LinkAborted, StationFault
from eolseq.instruments.exchange import Exchange, Identity
from eolseq.instruments.page_model import (
    DEFAULT_WITHIN,
    UNUSED,
    Action,
    Ask,
    Doing,
    Page,
    Pause,
    Query,
    Send,
    Wait,
    Within,
)
from eolseq.instruments.replies import Frame
from eolseq.instruments.roles import ROLES, Answer

__all__ = ["MOST_ERRORS", "Exchange", "Identity", "Permit", "Player"]

MOST_ERRORS = 40
"""How many errors are read from an instrument's queue before it counts as broken."""

MOST_KNOWN = 256
"""How many actions with their settings are kept as messages."""

_IDENTITY_TRIES = 3
_NOTHING: frozenset[str] = frozenset()


class Permit:
    """Lets one source be energised once; only the door to voltage makes one."""

    __slots__ = ("role", "valid")

    def __init__(self, role: str) -> None:
        self.role = role
        self.valid = True


class Player:
    """One instrument at its line, spoken to by its driver page; satisfies ``roles.Instrument``. Owned by one task.

    ``stop`` and ``abort`` may come from any task.
    """

    def __init__(self, name: str, page: Page, link: Exchange, clock: Clock) -> None:
        self.name = name
        self.role = page.role
        self.page = page
        self.link = link
        self.identity: Identity | None = None
        self._clock = clock
        self._monotonic = clock.monotonic
        self._aborted = clock.signal()
        self._danger = ROLES[page.role].danger
        self._doubtful = True   # whether the line must be opened afresh, or was never opened
        self._prepared = False  # whether a dangerous source has its settings
        self._given: dict[str, Any] = {}
        self._known: dict[tuple[Any, ...], tuple[tuple[Doing, str], ...]] = {}
        self._quiet: str | None = None  # the last reply that said that there is no error
        self._questions = {each.name: (line.reply, line.message.source, line.within.seconds)
                           for each in page.does.values() for line in each.lines
                           if len(each.lines) == 1 and isinstance(line, Ask) and not each.settings
                           and not line.within.settings and not (self._danger and each.name == "energise")}

    # Opening.

    def open(self, serial: str = "") -> Identity:
        """Ask who is there and hold it against the page, and the serial if given; InstrumentFault if it differs.

        A page that allows less than the usual time is not held to it here: nothing is energised yet, and a computer
        that opens many lines at once is slow.
        """
        query = self.page.identity
        raw = self._text(query.message, max(query.within, DEFAULT_WITHIN))
        parts = self._texts(query, raw)
        self._expect("model", self.page.model, parts["model"], raw)
        if serial:
            self._expect("serial number", serial, parts.get("serial", ""), raw)
        self.identity = Identity(parts.get("maker", ""), parts["model"], parts.get("serial", ""),
                                 parts.get("firmware", ""), raw, tuple(self._errors()))
        self._doubtful = False
        return self.identity

    def who(self) -> str:
        """Ask who is there once more; the reply as it came, judged by nobody."""
        return self._text(self.page.identity.message, self.page.identity.within)

    def count(self) -> int | None:
        """How many tests it says it has made in its life; None where its page asks for no count."""
        query = self.page.count
        if query is None:
            return None
        if self._doubtful or self.link.dirty:
            self.reopen()
        return int(self._texts(query, self._text(query.message, query.within))["count"])

    def reopen(self) -> None:
        """Open the line afresh, turn a dangerous output off, and make sure that the same instrument answers."""
        identity = self.identity
        if identity is None:
            raise StationFault(f"{self.name} was not opened.", "Start again; if it happens again, report it.")
        self._doubtful, self._prepared = True, False
        self.link.reopen()
        if self._danger and not self.page.line.echo:
            self.link.send_off(self.page.stop)
        query, raw = self.page.identity, ""
        for last in (False,) * (_IDENTITY_TRIES - 1) + (True,):
            raw = self._text(query.message, query.within)
            if raw == identity.raw:
                self._doubtful = False
                return
            if not last:
                self.link.reopen()  # what came may be the late answer to an earlier message
        self._expect("identity", identity.raw, raw, raw)

    def _expect(self, what: str, expected: str, found: str, raw: str) -> None:
        if found != expected:
            raise InstrumentFault(f"{self.name} reports the {what} '{found}', not '{expected}'.",
                                  "Connect the right instrument, or have the station file or driver page corrected.",
                                  instrument=self.name, message=self.page.identity.message, reply=raw)

    # Actions.

    def perform(self, action: str, *, permit: object = None, **settings: Any) -> Answer:
        """Carry out an action of the page; ``energise`` of a dangerous source needs the door's permit.

        StationFault when it may not or cannot be asked for, InstrumentFault when the instrument does not do it.
        """
        if self._doubtful or self.link.dirty:
            self.reopen()
        question = self._questions.get(action)
        if question is not None and not settings:
            reply, message, within = question
            text = ""
            try:
                text = self.link.ask(message, within)
                return reply.known.get(text) or reply.read(text, self.name, self._monotonic())
            except InstrumentFault as error:
                raise self._named(error, message, text) from error.__cause__
        known = self.page.does.get(action)
        if known is None:
            raise StationFault(f"{self.name}, a {self.role.replace('_', ' ')}, has no action '{action}'.",
                               "Report this to whoever maintains the program.")
        return self._perform(known, settings, permit)

    def _perform(self, action: Action, settings: Mapping[str, Any], permit: object) -> Answer:
        lines = self._filled(action, settings)
        self._given.update(settings)
        if self._danger and action.name == "energise":
            self._admit(permit)
        if self._danger and action.name == "prepare":
            self._prepared = False
        answer = Answer()
        for line, message in lines:
            if isinstance(line, Pause):
                self._pause(line.seconds)
                continue
            given = self._carry_out(line, message)
            if not isinstance(line, Send):
                answer = _joined(answer, given, line.reply.flags)
        if action.settings:
            self._check_errors("; ".join(message for _, message in lines if message))
        if action.name == "prepare":
            self._prepared = True
        return answer

    def _admit(self, permit: object) -> None:
        """Let a dangerous source be energised only by the door to voltage, and only with settings of this moment."""
        if type(permit) is not Permit or not permit.valid or permit.role != self.role:
            raise StationFault(f"{self.name} was asked to energise by something else than the door to voltage.",
                               "Nothing was energised. Report this to whoever maintains the program.")
        permit.valid = False
        if not self._prepared:
            raise StationFault(f"{self.name} was asked to energise without fresh settings.",
                               "Nothing was energised. Start the run again.")
        self._prepared = False

    def _filled(self, action: Action, settings: Mapping[str, Any]) -> tuple[tuple[Doing, str], ...]:
        """The action's lines with their messages; what was filled in before is found ready, since it depends on nothing
        but page and settings. StationFault when a setting does not fit."""
        key = (action.name, *settings, *settings.values(), *map(type, settings.values()))
        try:
            known = self._known.get(key)
        except TypeError:  # a value without a hash, such as a signalling not-a-number, is told below
            known = None
        if known is not None:
            return known
        left_out = _NOTHING.union(*(names for (name, word), names in UNUSED.items() if settings.get(name) == word))
        texts = self._setting_texts(action, settings, left_out)
        filled = tuple([(line, "" if isinstance(line, Pause) else line.message.filled(texts)) for line in action.lines
                        if isinstance(line, Pause) or left_out.isdisjoint(line.message.names)])
        if len(self._known) >= MOST_KNOWN:
            self._known.clear()
        self._known[key] = filled
        return filled

    def _setting_texts(self, action: Action, settings: Mapping[str, Any], left_out: frozenset[str]) -> dict[str, str]:
        """The text to send for each setting; StationFault when one is missing, unknown or does not fit."""
        texts = {}
        for name in action.settings:
            if name in left_out:
                continue
            known = self.page.takes[name]
            problem = known.problem(settings[name]) if name in settings else f"{name} was not given."
            if problem:
                raise StationFault(f"{self.name} cannot be set: {problem}",
                                   "Correct the sequence, or use an instrument that reaches this value.")
            texts[name] = known.text(settings[name])
        unknown = [name for name in settings if name not in action.settings]
        if unknown:
            raise StationFault(f"{self.name} does not take '{unknown[0]}' for '{action.name}'.",
                               "Report this to whoever maintains the program.")
        return texts

    def _carry_out(self, line: Send | Ask | Wait, message: str) -> Answer:
        within = self._seconds(line.within) if line.within.settings else line.within.seconds
        if isinstance(line, Send):
            try:
                self.link.send(message, within)
            except InstrumentFault as error:
                raise self._named(error, message, "") from error.__cause__
            return Answer()
        if isinstance(line, Wait):
            return self._wait(line, message, within)
        return self._read(line.reply, message, self._text(message, within))

    def _seconds(self, within: Within) -> float:
        return within.seconds + sum(float(self._given.get(name, 0.0)) for name in within.settings)

    def _wait(self, line: Wait, message: str, within: float) -> Answer:
        """Ask until one of the conditions holds; InstrumentFault with the last reply when it does not in time."""
        deadline = self._monotonic() + within
        while True:
            text = self._text(message, min(within, 1.0))
            answer = self._read(line.reply, message, text)
            if any(all((flag in answer.flags) is wanted for flag, wanted in each.items()) for each in line.until):
                return answer
            if self._monotonic() + line.every > deadline:
                raise InstrumentFault(f"{self.name} did not get there within {within:g} s.",
                                      "Check the instrument and what it waits for; then start again.",
                                      instrument=self.name, message=message, reply=text)
            self._pause(line.every)

    def _pause(self, seconds: float) -> None:
        self.link.tell_wait(seconds)
        if self._clock.wait(self._aborted, seconds):
            raise LinkAborted(f"The wait for {self.name} was ended by a trip.",
                              "Make the station safe and reset the trip before going on.", instrument=self.name)

    def say(self, message: str, within: float) -> str:
        """Send a text that a person typed and give its reply, or "" where it asks nothing; what it does nobody checks.

        Settings that were sent before count no more. Who calls this answers for what the text may do.
        """
        if self._doubtful or self.link.dirty:
            self.reopen()
        self._prepared = False
        if "?" in message:
            return self._text(message, within)
        try:
            self.link.send(message, within)
        except InstrumentFault as error:
            raise self._named(error, message, "") from error.__cause__
        return ""

    # Exchanges.

    def _text(self, message: str, within: float) -> str:
        try:
            return self.link.ask(message, within)
        except InstrumentFault as error:
            raise self._named(error, message, "") from error.__cause__

    def _read(self, reply: Frame, message: str, text: str) -> Answer:
        try:
            return reply.read(text, self.name, self._monotonic())
        except InstrumentFault as error:
            raise self._named(error, message, text) from None

    def _texts(self, query: Query, text: str) -> dict[str, str]:
        try:
            return query.reply.texts(text)
        except InstrumentFault as error:
            raise self._named(error, query.message, text) from None

    def _named(self, error: InstrumentFault, message: str, reply: str) -> InstrumentFault:
        """The same error with instrument, message and reply; from now on the line is in doubt."""
        self._doubtful = True
        error.instrument = error.instrument or self.name
        error.message = error.message or message
        error.reply = error.reply or reply
        return error

    # Errors.

    def check_errors(self) -> None:
        """Read the error queue until it is empty; InstrumentFault if anything stood in it."""
        self._check_errors("")

    def _check_errors(self, sent: str) -> None:
        found = self._errors()
        if found:
            raise InstrumentFault(f"{self.name} reports an error.",
                                  "Look the error up in its manual; check the driver page and the sequence's settings.",
                                  instrument=self.name, message=sent, reply="; ".join(found))

    def _errors(self) -> list[str]:
        """The replies that name an error, oldest first; the queue is empty after it."""
        query = self.page.errors
        found: list[str] = []
        if query is None:
            return found
        while len(found) < MOST_ERRORS:
            text = self._text(query.message, query.within)
            if text == self._quiet:
                return found
            if int(self._texts(query, text)["code"]) == self.page.no_error:
                self._quiet = text
                return found
            found.append(text)
        raise InstrumentFault(f"The error queue of {self.name} does not end.", "Call maintenance to check it.",
                              instrument=self.name, message=query.message, reply=found[-1])

    # From any task.

    def stop(self) -> None:
        """Write OFF at once, whatever the line is doing; nothing is written where the page has no ``stop``."""
        if self.page.stop:
            self.link.send_off(self.page.stop)

    def abort(self) -> None:
        """End what the owner waits for; sticky until ``clear_abort``."""
        self._aborted.set()
        self.link.abort()

    def clear_abort(self) -> None:
        """Allow messages again, once the trip was dealt with."""
        self._aborted.clear()
        self.link.clear_abort()


def _joined(first: Answer, second: Answer, seen: frozenset[str]) -> Answer:
    """Both answers as one; what both looked at counts as the second one saw it."""
    return Answer({**first.readings, **second.readings}, (first.flags - seen) | second.flags,
                  first.channels | second.channels)
