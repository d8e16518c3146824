"""Who signed what in a log, judged once: gates ask before every unit, and each shift adds documents."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from threading import Lock
from typing import Generic, Protocol, TypeVar

from eolseq.errors import NotGenuine
from eolseq.records.approvals import Standing
from eolseq.records.runs import Carried

_LOGS = 4  # a program has one log open, and may look into a few

Key = TypeVar("Key")
Made = TypeVar("Made")


class HasDocuments(Protocol):
    """A log, open for writing or only read."""

    @property
    def documents(self) -> Sequence[Carried]:
        """The entries that carry what people signed, oldest first."""


class TakenIn:
    """How far the documents of a log were taken in: their number, and the hash of the last one's line.

    That line carries the root over all before it, so the same hash at the same place says that they are the same.
    """

    def __init__(self) -> None:
        self.count, self._leaf = 0, b""

    def holds(self, documents: Sequence[Carried]) -> bool:
        """Whether these documents are those taken in, and perhaps more."""
        return not self.count or (self.count <= len(documents) and documents[self.count - 1].leaf == self._leaf)

    def rest(self, documents: Sequence[Carried]) -> Iterable[Carried]:
        """Those not taken in yet; each counts as taken in when the next one is asked for."""
        for each in documents[self.count:]:
            yield each
            self.count, self._leaf = self.count + 1, each.leaf


class OfLogs(Generic[Key, Made]):
    """What was made of the documents of the few logs asked for last; hold ``one_at_a_time`` around its use."""

    def __init__(self) -> None:
        self.one_at_a_time = Lock()
        self._known: dict[Key, Made] = {}  # the newest is the last

    def __len__(self) -> int:
        return len(self._known)

    def get(self, which: Key, stands: Callable[[Made], bool], make: Callable[[], Made]) -> Made:
        """What is known of a log while it stands, else what is made anew; it is now the newest."""
        known = self._known.pop(which, None)
        self._known[which] = found = make() if known is None or not stands(known) else known
        while len(self._known) > _LOGS:
            del self._known[next(iter(self._known))]
        return found


class _Judged:
    def __init__(self, documents: Sequence[Carried]) -> None:
        self.standing, self.taken = Standing(documents[:1]), TakenIn()

    def bring_up(self, documents: Sequence[Carried]) -> Standing:
        for each in self.taken.rest(documents):
            if each.kind != "genesis" or self.taken.count:
                self.standing.take(each)
        return self.standing


_known: OfLogs[bytes, _Judged] = OfLogs()  # by the hash of a log's first line


def standing_of(log: HasDocuments) -> Standing:
    """The registry, the approvals and who signed what, as a log has them now; NotGenuine when a document may not stand.

    Only what came since it was last asked for is judged: a signature takes some 0.1 ms. What is given out is brought up
    to date when it is asked for again, and is not to be changed.
    """
    documents = log.documents
    if not documents:
        raise NotGenuine("The log has no first entry that names its key.")
    with _known.one_at_a_time:
        judged = _known.get(documents[0].leaf, lambda known: known.taken.holds(documents), lambda: _Judged(documents))
        return judged.bring_up(documents)
