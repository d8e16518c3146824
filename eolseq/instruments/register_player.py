"""Plays a register page over Modbus: actions by name in, answers out, as a driver page's player does over messages.

After any failed exchange the line is opened afresh and the identity is read before anything else. No role that makes
danger has a register page, so nothing here can energise, and there is no OFF to send.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

from eolseq.clock import Clock
from eolseq.errors import InstrumentFault, LinkAborted, StationFault
from eolseq.instruments.exchange import Exchange, Identity
from eolseq.instruments.page_model import DEFAULT_WITHIN, Pause
from eolseq.instruments.register_model import Await, Block, Read, Register, RegisterLine, RegisterPage
from eolseq.instruments.roles import Answer

_IDENTITY_TRIES = 3


class Registers(Protocol):
    """What a player needs of the line to its device; ``modbus.Modbus`` is one."""

    @property
    def link(self) -> Exchange:
        """The line itself."""

    def read(self, table: str, at: int, count: int, within: float) -> list[int]:
        """Read registers or bits."""

    def write(self, table: str, at: int, values: Sequence[int], within: float) -> None:
        """Write registers or a bit, confirmed."""


class RegisterPlayer:
    """One instrument at its line, spoken to by its register page; satisfies ``roles.Instrument``. Owned by one task."""

    def __init__(self, name: str, page: RegisterPage, registers: Registers, clock: Clock) -> None:
        self.name = name
        self.role = page.role
        self.page = page
        self.identity: Identity | None = None
        self._registers = registers
        self._link = registers.link
        self._clock = clock
        self._aborted = clock.signal()
        self._doubtful = True

    # Opening.

    def open(self, serial: str = "") -> Identity:
        """Read who is there and hold it against the page, and the serial if given; InstrumentFault if it differs.

        As with messages, nobody is held to less than the usual time before anything is energised.
        """
        texts = self._who(max(self.page.within, DEFAULT_WITHIN))
        raw = ",".join(texts.values())
        self._expect("model", self.page.model, texts["model"], raw)
        if serial:
            self._expect("serial number", serial, texts["serial"], raw)
        self.identity = Identity(texts.get("maker", ""), texts["model"], texts["serial"], texts.get("firmware", ""),
                                 raw)
        self._doubtful = False
        return self.identity

    def who(self) -> str:
        """Read who is there once more; the texts as they came, judged by nobody."""
        return ",".join(self._who(self.page.within).values())

    def count(self) -> int | None:
        """None: pages with registers ask for no count of tests."""
        return None

    def reopen(self) -> None:
        """Open the line afresh, and make sure that the same instrument answers."""
        if self.identity is None:
            raise StationFault(f"{self.name} was not opened.", "Start again; if it happens again, report it.")
        self._doubtful = True
        for last in (False,) * (_IDENTITY_TRIES - 1) + (True,):
            self._link.reopen()
            try:
                raw = ",".join(self._who(self.page.within).values())
            except LinkAborted:
                raise
            except InstrumentFault:
                if last:
                    raise
                continue  # what came may be the late answer to an earlier request
            self._expect("identity", self.identity.raw, raw, raw)
            self._doubtful = False
            return

    def _who(self, within: float) -> dict[str, str]:
        block = self.page.who
        registers = self._block(block, within)
        return {each.name: each.text(registers) for each in block.texts}

    def _expect(self, what: str, expected: str, found: str, raw: str) -> None:
        if found != expected:
            raise InstrumentFault(f"{self.name} reports the {what} '{found}', not '{expected}'.",
                                  "Connect the right instrument, or have the station file or its page corrected.",
                                  instrument=self.name, reply=raw)

    # Actions.

    def perform(self, action: str, *, permit: object = None, **settings: Any) -> Answer:
        """Carry out an action of the page; StationFault when it may not be asked for, InstrumentFault when it fails."""
        if self._doubtful or self._link.dirty:
            self.reopen()
        lines = self.page.does.get(action)
        if lines is None:
            raise StationFault(f"{self.name}, a {self.role.replace('_', ' ')}, has no action '{action}'.",
                               "Report this to whoever maintains the program.")
        self._check(action, settings)
        answer = Answer()
        for line in lines:
            given, seen = self._carry_out(line, settings)
            answer = Answer({**answer.readings, **given.readings}, (answer.flags - seen) | given.flags)
        return answer

    def check_errors(self) -> None:
        """Nothing is queued by a device of registers: it refuses at once, which is a fault at once."""

    def _check(self, action: str, settings: Mapping[str, Any]) -> None:
        for name in self.page.settings[action]:
            problem = self.page.fits(name, settings[name]) if name in settings else f"{name} was not given."
            if problem:
                raise StationFault(f"{self.name} cannot be set: {problem}",
                                   "Correct the sequence, or use an instrument that reaches this value.")
        unknown = [name for name in settings if name not in self.page.settings[action]]
        if unknown:
            raise StationFault(f"{self.name} does not take '{unknown[0]}' for '{action}'.",
                               "Report this to whoever maintains the program.")

    def _carry_out(self, line: RegisterLine, settings: Mapping[str, Any]) -> tuple[Answer, frozenset[str]]:
        """What a line gives, and which flags it looked at."""
        if isinstance(line, Pause):
            self._pause(line.seconds)
            return Answer(), frozenset()
        if isinstance(line, Read):
            return self._answer(line.block, line.within), frozenset(each.name for each in line.block.flags)
        if isinstance(line, Await):
            return self._wait(line), frozenset(each.name for each in line.block.flags)
        register = line.register
        values = register.registers(self._number(register, settings), self.page.low_first)
        self._exchange(lambda: self._registers.write(register.table, register.at, values, line.within))
        return Answer(), frozenset()

    def _number(self, register: Register, settings: Mapping[str, Any]) -> int:
        if register.value is not None:
            return register.value
        number = register.number(settings[register.name])
        if number is None:
            raise StationFault(f"{self.name} cannot be set: {settings[register.name]} is no whole count of its "
                               "register.", "Correct the sequence, or the factor in its page.")
        return number

    def _answer(self, block: Block, within: float) -> Answer:
        return block.answer(self._block(block, within), self.page.low_first, self.name, self._clock.monotonic())

    def _block(self, block: Block, within: float) -> list[int]:
        found: list[int] = []
        self._exchange(lambda: found.extend(self._registers.read(block.table, block.at, block.count, within)))
        return found

    def _exchange(self, work: Any) -> None:
        try:
            work()
        except InstrumentFault as error:
            self._doubtful = True
            error.instrument = error.instrument or self.name
            raise

    def _wait(self, line: Await) -> Answer:
        deadline = self._clock.monotonic() + line.within
        while True:
            answer = self._answer(line.block, min(line.within, self.page.within))
            if any(all((flag in answer.flags) is wanted for flag, wanted in each.items()) for each in line.until):
                return answer
            if self._clock.monotonic() + line.every > deadline:
                raise InstrumentFault(f"{self.name} did not get there within {line.within:g} s.",
                                      "Check the instrument and what it waits for; then start again.",
                                      instrument=self.name, reply=", ".join(sorted(answer.flags)))
            self._pause(line.every)

    def _pause(self, seconds: float) -> None:
        self._link.tell_wait(seconds)
        if self._clock.wait(self._aborted, seconds):
            raise LinkAborted(f"The wait for {self.name} was ended by a trip.",
                              "Make the station safe and reset the trip before going on.", instrument=self.name)

    # From any task.

    def stop(self) -> None:
        """Nothing that makes danger has registers."""

    def abort(self) -> None:
        """End what the owner waits for; sticky until ``clear_abort``."""
        self._aborted.set()
        self._link.abort()

    def clear_abort(self) -> None:
        """Allow requests again, once the trip was dealt with."""
        self._aborted.clear()
        self._link.clear_abort()
