"""A link that plays a transcript: it takes each message only when its turn has come, and tells what was left over."""

from __future__ import annotations

from pathlib import Path

from eolseq.clock import VirtualClock
from eolseq.errors import InstrumentFault
from eolseq.instruments.page import load_page
from eolseq.instruments.player import Player

DRIVERS = Path(__file__).resolve().parents[2] / "drivers"

Exchanges = list[tuple[str, str | InstrumentFault | None]]


class FakeLink:
    """Plays (message, reply) pairs in order; a reply of None belongs to a message without one, an error is raised."""

    def __init__(self, exchanges: Exchanges) -> None:
        self.dirty = False
        self.left = list(exchanges)

    def _take(self, message: str) -> str | None:
        assert self.left, f"nothing more was expected, but {message!r} was sent"
        expected, reply = self.left.pop(0)
        assert message == expected
        if isinstance(reply, InstrumentFault):
            raise reply
        return reply

    def send(self, message: str, within: float) -> None:
        assert within > 0
        assert self._take(message) is None, f"{message!r} was sent, not asked"

    def ask(self, message: str, within: float) -> str:
        assert within > 0
        reply = self._take(message)
        assert reply is not None, f"{message!r} was asked, not sent"
        return reply

    def send_off(self, message: str) -> None:
        assert self._take(f"off {message}") is None

    def tell_wait(self, seconds: float) -> None:
        assert seconds > 0

    def reopen(self) -> None:
        assert self._take("reopen") is None
        self.dirty = False

    def abort(self) -> None:
        assert self._take("abort") is None

    def clear_abort(self) -> None:
        assert self._take("clear abort") is None

    def check_done(self) -> None:
        assert self.left == [], "exchanges that never came"


NO_ERROR = ("SYST:ERR?", '0,"No error"')


def identity_of(model: str, serial: str = "SIM-0001") -> str:
    """The identity an invented instrument gives."""
    return f"Aldervale Instruments (simulated),{model},{serial},1.0"


def opened(page_file: Path | str, exchanges: Exchanges) -> tuple[Player, FakeLink, VirtualClock]:
    """A player of a page (a file, or a name in drivers/) that has been opened and will then see these exchanges."""
    page = load_page(page_file if isinstance(page_file, Path) else DRIVERS / f"{page_file}.yaml")
    link = FakeLink([("*IDN?", identity_of(page.model)), *([NO_ERROR] if page.errors else []), *exchanges])
    clock = VirtualClock()
    player = Player("bench-1", page, link, clock)
    player.open()
    return player, link, clock
