"""A link for frames of bytes whose length stands in their head, in place of texts with a terminator.

Frames are asked for and given as hexadecimal digits, so that everything a link does with messages (deadlines, aborts,
traces, refusing an old answer for a new question) holds for them too.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from pyvisa.constants import ResourceAttribute, SerialTermination

from eolseq.clock import Clock
from eolseq.errors import InstrumentFault
from eolseq.instruments.line import Line
from eolseq.instruments.link import STACK_ERRORS, Link

__all__ = ["FrameLink", "Needed"]

Needed = Callable[[bytes], int]
"""Told the bytes that came so far; gives how many there will be at least; InstrumentFault when they are wrong."""


class FrameLink(Link):
    """The line to one instrument that speaks in frames."""

    def __init__(self, manager: Any, name: str, address: str, line: Line, clock: Clock, needed: Needed) -> None:
        self._needed = needed
        super().__init__(manager, name, address, line, clock)

    def _terminators(self) -> list[tuple[str, ResourceAttribute, Any]]:
        """No byte ends a frame, since every byte may stand in one."""
        if self.address.upper().startswith("ASRL"):
            return [("frames", ResourceAttribute.asrl_end_in, SerialTermination.none),
                    ("frames", ResourceAttribute.termchar_enabled, False)]
        return [("frames", ResourceAttribute.termchar_enabled, False)]

    def _encode(self, message: str) -> bytes:
        return bytes.fromhex(message)

    def _get(self, message: str, deadline: float, within: float) -> str:
        data = b""
        try:
            while (missing := self._needed(data) - len(data)) > 0:
                self._allow(deadline - self._monotonic())
                data += self._visalib.read(self._handle, missing)[0]
        except InstrumentFault:
            self._dirty = True  # where the next frame begins is in doubt now
            raise
        except STACK_ERRORS as error:
            raise self._failed(error, message, within) from error
        if self.trace is not None:
            self.trace(self.name, "in", data.hex(), self._monotonic())
        return data.hex()
