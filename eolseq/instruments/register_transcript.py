"""The transcript of a register page replayed on paper, as that of a driver page is.

The player must make exactly these requests in this order and find exactly this in what was read. A request that is
left over is a mistake as much as one that is missing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from eolseq.clock import VirtualClock
from eolseq.instruments.exchange import Identity
from eolseq.instruments.page_model import Scene
from eolseq.instruments.page_scenes import OPENING
from eolseq.instruments.register_model import RegisterPage
from eolseq.instruments.register_player import RegisterPlayer
from eolseq.instruments.register_scenes import Requested, request
from eolseq.instruments.roles import Answer
from eolseq.instruments.transcript import Differs, replay_scenes
from eolseq.shape import Findings


class _Paper:
    """A device that is only paper: each request is taken when its turn has come, and answered as written down."""

    dirty = False

    def __init__(self, scene: Scene) -> None:
        self._scene = scene
        self.left: list[Requested] = list(scene.exchanges)

    @property
    def link(self) -> Any:
        """The line is the same paper."""
        return self

    def read(self, table: str, at: int, count: int, within: float) -> list[int]:
        """Give the numbers that stand beside the request; texts may be written without what fills them up."""
        said = self._take(request(True, table, at, range(count)), True, table, at)
        if len(said.numbers) > count or (len(said.numbers) < count and not said.letters):
            raise Differs(said.place, f"'{said}' stands here, and the page reads {count}", f"{count} numbers")
        return list(said.numbers) + [0] * (count - len(said.numbers))

    def write(self, table: str, at: int, values: Sequence[int], within: float) -> None:
        """Take what is written."""
        sent = request(False, table, at, values)
        said = self._take(sent, False, table, at)
        if said.numbers != tuple(values):
            raise Differs(said.place, f"'{said}' stands here, and the page sends '{sent}'", sent)

    def _take(self, sent: str, reads: bool, table: str, at: int) -> Requested:
        if not self.left:
            raise Differs(self._scene.place, f"'{sent}' is sent here, which the transcript does not have",
                          "an exchange with this request")
        said = self.left.pop(0)
        if (said.reads, said.table, said.at) != (reads, table, at):
            raise Differs(said.place, f"'{said}' stands here, and the page sends '{sent}'", sent)
        return said

    def reopen(self) -> None:
        """Paper needs no opening."""

    def abort(self) -> None:
        """Nobody waits for paper."""

    def clear_abort(self) -> None:
        """Nobody waits for paper."""


class _OnPaper(RegisterPlayer):
    """A player that has no device, only a scene; its line is made here, so that it can reach no other."""

    def __init__(self, page: RegisterPage, scene: Scene) -> None:
        self.paper, self.clock = _Paper(scene), VirtualClock()
        super().__init__("transcript", page, self.paper, self.clock)
        self.identity = Identity("", page.model, "", "", "")
        self._doubtful = False

    def play(self, scene: Scene) -> Answer:
        """Carry the scene out."""
        if scene.does == OPENING:
            self.open()
            return Answer()
        return self.perform(scene.does, **scene.settings)


def replay_registers(page: RegisterPage) -> Findings:
    """Carry every scene of a register page's transcript out on paper; everything that differs, at its place."""
    return replay_scenes(page.transcript, (OPENING, *page.does), lambda scene: _OnPaper(page, scene), "numbers")
