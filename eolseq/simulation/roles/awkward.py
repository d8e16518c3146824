"""A resistance meter with old manners on its line: echo, carriage returns, decimal commas, words, a rest it needs.

Its messages are those of the standards; only the form of line and replies is awkward. It stands for what maintenance
may find in a cupboard, and no such instrument exists.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping

from eolseq.simulation.instrument import (
    LONGEST_MESSAGE,
    Call,
    CommandError,
    Connection,
    Handler,
    Instrument,
    spoilt,
    taking,
)
from eolseq.simulation.roles.meters import ResistanceMeter

RESTS = 0.025
"""Seconds after a message in which it hears nothing."""

WARMS = 0.2
"""Seconds that it warms up for after its range was changed."""

_COMMA = re.compile(rb"(?<=[0-9]),(?=[0-9])")
_TENTHS = 1e4  # of a milliohm in an ohm


class AwkwardConnection(Connection):
    """A line that ends messages with CR, sends each back first, and misses what comes too soon."""

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(instrument)
        self._rests_until = -math.inf

    def receive(self, data: bytes, now: float) -> bytes:
        """Take bytes as they come; echo and reply of the messages they complete."""
        if not self._buffer and now < self._rests_until:
            return b""
        *messages, rest = (self._buffer + data).split(b"\r")
        self._buffer = rest[-LONGEST_MESSAGE:]
        answer = b"".join(self._answer(message, now) for message in messages if message)
        if answer:
            self._rests_until = now + RESTS
        return spoilt(self.instrument, answer) if self.instrument.fault is not None else answer

    def _answer(self, message: bytes, now: float) -> bytes:
        reply = self.instrument.execute(_COMMA.sub(b".", message), now)
        return message + b"\r" + reply.replace(b"\n", b"\r")


class AwkwardInstrument(Instrument):
    """An instrument on such a line."""

    def connect(self) -> Connection:
        """A new connection with old manners."""
        return AwkwardConnection(self)


class AwkwardResistanceMeter(ResistanceMeter):
    """Four-wire resistance between L and N, in tenths of a milliohm; W while it warms up, R when it is ready."""

    wire_of = AwkwardInstrument

    def prepare(self) -> None:
        """Begin on the widest range, warm."""
        super().prepare()
        self._warm_at = -math.inf

    def commands(self) -> Mapping[str, Handler]:
        """Range, state in a word, and reading."""
        return {
            "CONFigure[:SCALar]:FRESistance": taking(1, 1, self._configure),
            "READ[:FRESistance]?": taking(0, 0, self._read),
            "STATus:OPERation:CONDition?": taking(0, 0, lambda _: "W" if self._warming() else "R"),
        }

    def _warming(self) -> bool:
        return self.world.now < self._warm_at

    def _configure(self, call: Call) -> None:
        super()._configure(call)
        self._warm_at = self.world.now + WARMS

    def _read(self, _: Call) -> str:
        if self._warming():
            raise CommandError(-230)
        true = self.world.ohms_line_to_neutral()
        if math.isnan(true):
            return "R= ----"
        if true > self.range * self.over_range:  # be it infinite, which no meter makes a number of
            return "R= OL"
        value = self.meters["resistance"].read(true, self.range / self.ranges[0])
        if math.isinf(value):
            return "R= OL"
        return "R= " + f"{value * _TENTHS:.1f}".replace(".", ",")
