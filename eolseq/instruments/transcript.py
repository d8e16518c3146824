"""The transcript of a driver page: exchanges written down from the manual or the bench, and their replay on paper.

A page that is carried out by the player must send exactly these messages in this order and make exactly these readings
of these replies. An exchange that is left over is a mistake as much as one that is missing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Protocol

from eolseq.bands.band import ABOVE_RANGE, BELOW_RANGE, NO_ANSWER, NOT_A_NUMBER, Reading
from eolseq.clock import VirtualClock
from eolseq.errors import EolseqError, InstrumentFault, Place
from eolseq.instruments.exchange import Identity
from eolseq.instruments.page_model import Page, Scene
from eolseq.instruments.page_scenes import COUNT, OPENING
from eolseq.instruments.player import Player
from eolseq.instruments.roles import Answer
from eolseq.quantity import Quantity, parse
from eolseq.shape import Findings

NO_NUMBERS = (ABOVE_RANGE, BELOW_RANGE, NO_ANSWER, NOT_A_NUMBER)
"""What a transcript says in place of a value where the instrument gives no number."""


class Differs(Exception):
    """The page does something else than its transcript says; ends the scene."""

    def __init__(self, place: Place, what: str, expected: str) -> None:
        super().__init__(what)
        self.place, self.what, self.expected = place, what, expected


class _ScriptedLink:
    """A line that is only paper: each message is taken when its turn has come, and answered as written down."""

    dirty = False

    def __init__(self, scene: Scene) -> None:
        self._scene = scene
        self.left = list(scene.exchanges)

    def send(self, message: str, within: float) -> None:
        """Take a message that nobody answers."""
        self._take(message, answered=False)

    def ask(self, message: str, within: float) -> str:
        """Take a message, and give the reply that stands beside it."""
        return self._take(message, answered=True)

    def send_off(self, message: str) -> None:
        """Nothing is on at the other end of paper."""

    def tell_wait(self, seconds: float) -> None:
        """Nobody traces paper."""

    def reopen(self) -> None:
        """Paper needs no opening."""

    def abort(self) -> None:
        """Nobody waits for paper."""

    def clear_abort(self) -> None:
        """Nobody waits for paper."""

    def _take(self, message: str, answered: bool) -> str:
        if not self.left:
            raise Differs(self._scene.place, f"'{message}' is sent here, which the transcript does not have",
                           "an exchange with this message")
        exchange = self.left.pop(0)
        if exchange.out != message:
            raise Differs(exchange.place, f"'{exchange.out}' stands here, and the page sends '{message}'", message)
        if answered and exchange.reply is None:
            raise Differs(exchange.place, f"the page waits for a reply to '{message}'", "'in' with the reply")
        if not answered and exchange.reply is not None:
            raise Differs(exchange.place, f"the page reads no reply to '{message}'", "no 'in'")
        return exchange.reply or ""


class _OnPaper(Player):
    """A player that has no instrument, only a scene; its line is made here, so that it can reach no other."""

    def __init__(self, page: Page, scene: Scene, given: Mapping[str, Any]) -> None:
        self.paper = _ScriptedLink(scene)
        self.clock = VirtualClock()
        super().__init__("transcript", page, self.paper, self.clock)
        self.identity = Identity("", page.model, "", "", "")
        self._doubtful = False
        self._given.update(given)

    def _admit(self, permit: object) -> None:
        """Paper cannot be energised."""

    def play(self, scene: Scene) -> Answer:
        """Carry the scene out."""
        if scene.does == OPENING:
            self.open()
            return Answer()
        if scene.does == COUNT:
            self.count()
            return Answer()
        return self.perform(scene.does, **scene.settings)


class Playing(Protocol):
    """A player that has no instrument, only paper: ``left`` is what of its scene was not sent yet."""

    clock: VirtualClock
    paper: Any

    def play(self, scene: Scene) -> Answer:
        """Carry the scene out."""
        ...


def replay(page: Page) -> Findings:
    """Carry every scene of a page's transcript out on paper; everything that differs, at its place in the file."""
    given: dict[str, Any] = {}

    def player_of(scene: Scene) -> Playing:
        given.update(scene.settings)
        return _OnPaper(page, scene, given)

    does = (OPENING, *((COUNT,) if page.count is not None else ()), *page.does)
    return replay_scenes(page.transcript, does, player_of, "replies")


def replay_scenes(scenes: Sequence[Scene], does: Iterable[str], player_of: Callable[[Scene], Playing],
                  what: str) -> Findings:
    """Carry scenes out on paper, each by a player of its own; ``does``: what a transcript must show, if there is one.

    ``what`` stands in the file as the instrument's answers: replies, or numbers.
    """
    findings = Findings()
    for scene in scenes:
        try:
            _play(player_of(scene), scene, what, findings)
        except Differs as differs:
            findings.add(differs.place, differs.what, differs.expected)
    shown = {scene.does for scene in scenes}
    for name in does if shown else ():
        if name not in shown:
            findings.add(scenes[0].place, f"the transcript never does '{name}'", f"a scene with does: {name}")
    return findings


def _play(player: Playing, scene: Scene, what: str, findings: Findings) -> None:
    try:
        answer = player.play(scene)
    except EolseqError as error:
        if not scene.fault or not isinstance(error, InstrumentFault):
            raise Differs(scene.place, f"'{scene.does}' ends with: {error.what}",
                          f"{what} that the page reads, or 'fault: yes'") from None
        answer = None
    finally:
        player.clock.close()
    for exchange in player.paper.left:
        findings.add(exchange.place, f"'{exchange}' is never sent", "only what the page sends")
    if answer is None:
        return
    if scene.fault:
        raise Differs(scene.place, f"'{scene.does}' does not end in a fault", "no 'fault'")
    compare(scene, answer, findings)


def compare(scene: Scene, answer: Answer, findings: Findings) -> None:
    """What the page made of the replies against what the transcript says that they mean."""
    for name, reading in answer.readings.items():
        place, said = scene.gives.get(name, (scene.place, ""))
        if not _same(reading, said):
            findings.add(place, f"the page reads {name} as {_shown(reading)}" + (f", not as {said}" if said else ""),
                         f"{name}: {_shown(reading)}")
    for name in scene.gives:
        if name not in answer.readings:
            findings.add(scene.gives[name][0], f"'{scene.does}' gives no reading '{name}'", "only what it gives")
    _compare_sets(scene.place, "flags", answer.flags, scene.flags, findings)
    _compare_sets(scene.place, "channels", answer.channels, scene.channels, findings)


def _compare_sets(place: Place, what: str, found: frozenset[Any], said: frozenset[Any], findings: Findings) -> None:
    if found != said:
        shown = ", ".join(map(str, sorted(found)))
        findings.add(place, f"the {what} that the page sees are [{shown}]", f"{what}: [{shown}]")


def _same(reading: Reading, said: str) -> bool:
    """Whether a reading is what the transcript says; a text that is no value is never the same as one."""
    if reading.value is None:
        return reading.special == said
    try:
        return said not in NO_NUMBERS and Quantity(reading.value, reading.unit).base == parse(said).base \
            and Quantity(reading.value, reading.unit).dimension == parse(said).dimension
    except ValueError:
        return False


def _shown(reading: Reading) -> str:
    return reading.special if reading.value is None else str(Quantity(reading.value, reading.unit))
