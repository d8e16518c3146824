"""What the documents of a log come to for its station's checks, each taken in once.

Gates ask before every unit, a shift whenever its log has grown, and there are more documents after every shift.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from eolseq.records.judged import HasDocuments, OfLogs, TakenIn, standing_of
from eolseq.records.runs import Carried
from eolseq.verification.fixtures import Told, told_of
from eolseq.verification.newest import Newest
from eolseq.verification.standing import Past


class ChecksIn(NamedTuple):
    """The checks that can still count, all that was told of fixtures, and what of it counts; oldest first."""

    newest: tuple[Past, ...]
    told: tuple[Told, ...]
    counted: tuple[Told, ...]


class _Checks:
    """What was taken in so far. ``keys`` is the version of the registry by which signatures count."""

    def __init__(self, keys: int) -> None:
        self.keys, self.taken, self._newest = keys, TakenIn(), Newest()
        self._told: list[Told] = []
        self._counted: list[Told] = []

    def bring_up(self, documents: Sequence[Carried], trusted: Callable[[int], bool]) -> ChecksIn:
        for each in self.taken.rest(documents):
            if each.kind == "fixture":
                (told,) = told_of((each,))
                self._told.append(told)
                if told.what == "mounted" or told.outcome != "pass" or trusted(each.index):
                    self._counted.append(told)
            elif each.kind in ("verification", "challenge"):
                self._newest.take(each, trusted=each.kind == "challenge" or trusted(each.index))
        return ChecksIn(self._newest.all(), tuple(self._told), tuple(self._counted))


_known: OfLogs[tuple[bytes, bool], _Checks] = OfLogs()  # by the hash of a log's first line


def checks_in(log: HasDocuments, *, simulated: bool) -> ChecksIn:
    """What a log has now; on a real station what is in order counts by a signature that holds to this day.

    Another registry makes all of it anew, since it may take back what a key once signed.
    """
    standing = None if simulated else standing_of(log)
    trusted, keys = (_always, 0) if standing is None else (standing.holds, standing.registry.version)
    documents = log.documents
    if not documents:
        return ChecksIn((), (), ())
    with _known.one_at_a_time:
        checks = _known.get((documents[0].leaf, simulated),
                            lambda known: known.keys == keys and known.taken.holds(documents), lambda: _Checks(keys))
        return checks.bring_up(documents, trusted)


def _always(_: int) -> bool:
    return True
