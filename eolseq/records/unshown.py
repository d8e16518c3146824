"""The units that no passed challenge followed: what a reference unit that was missed casts doubt on.

A verification shows an instrument, a challenge the whole way through relays, leads and fixture. So what a miss makes
suspect reaches back to the challenge before it, whatever was verified in between.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from eolseq.records.instruments import Suspect, suspect
from eolseq.records.reader import Records
from eolseq.serials import reserved

_KINDS = frozenset({"begin", "challenge"})


@dataclass(frozen=True, slots=True)
class Unshown:
    """The runs on units at a bay that no passed challenge followed; ``since``: the last passed one there, its index."""

    bay: str
    since: int | None
    runs: tuple[Suspect, ...]

    @property
    def units(self) -> list[str]:
        """Their serials, each once, in the order in which they were first tested."""
        return list(dict.fromkeys(each.serial for each in self.runs))


def unshown(records: Records, until: int | None = None) -> list[Unshown]:
    """By bay, every unit without a passed challenge after it, up to an entry of the log.

    A challenge passed counts for the units of its sequence, and for those of sequences with which none was ever made.
    """
    challenged = {str(each.payload["sequence"]["name"]) for each in records.documents if each.kind == "challenge"}
    open_: dict[str, dict[int, str]] = {}  # by bay: runs with the name of their sequence
    since: dict[str, int] = {}
    for index, payload in records.payloads(_KINDS):
        if until is not None and index > until:
            break
        if payload["kind"] == "begin":
            mine = open_.setdefault(str(payload["bay"]), {})
            if not reserved(str(payload["serial"])):
                mine[index] = str(payload["sequence"]["name"])
        elif payload["outcome"] == "pass":
            for bay in [payload["bay"]] if payload.get("bay") else list(open_):
                since[bay] = index
                open_[bay] = {run: name for run, name in open_.get(bay, {}).items()
                              if not _shown(name, payload, challenged)}
    return [Unshown(bay, since.get(bay), tuple(suspect(records.run(run), run) for run in mine))
            for bay, mine in open_.items()]


def _shown(name: str, challenge: Mapping[str, Any], challenged: set[str]) -> bool:
    return name == challenge["sequence"]["name"] or name not in challenged
