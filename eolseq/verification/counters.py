"""Whether an instrument was used outside the program, as its own count of tests shows. Pure.

The count must begin each run where it ended the one before. Whoever used the instrument otherwise may have changed or
hurt it, so it is verified before units are tested with it again, and that verification takes note of the new count.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from eolseq.serials import reserved
from eolseq.verification.standing import Reason

KINDS = frozenset({"begin", "energise", "end", "abandon", "verification"})
"""The entries that are looked at, newest first."""


@dataclass(frozen=True)
class Counted:
    """What the log says of a count: where a run began and ended it, and how often it energised the instrument."""

    begin: int | None
    end: int | None
    energised: int = 0


@dataclass
class _Run:
    end: int | None = None
    energised: int = 0
    ended: bool = False


@dataclass
class _Back:
    """The runs gone through so far, newest first; ``base`` is the count that all of them are held against."""

    name: str
    physical: tuple[str, str]
    found: list[Counted] = field(default_factory=list)
    open: dict[int, _Run] = field(default_factory=dict)


def counts_back(name: str, model: str, serial: str, newest: Iterable[Mapping[str, Any]]) -> list[Counted]:
    """What the log says of one instrument's count, oldest first, from the last count that stands on.

    That is the end of the last run on a unit, or a verification of the instrument that it passed; runs on reference
    units and known loads after it are held against it too, since no gate stood before them. The first item has no
    ``begin``. Empty where the log knows of none.
    """
    back = _Back(name, (model, serial))
    current = _Run()
    for payload in newest:
        kind = payload["kind"]
        if kind == "verification" and payload["outcome"] == "pass":
            named = payload["instrument"]
            counter = named.get("counter") if _physical(named) == back.physical else None
            if counter is not None:
                return [Counted(None, int(counter)), *reversed(back.found)]
        elif kind in ("end", "abandon"):
            mine = _mine(payload, back.physical)
            counter = None if mine is None else mine.get("counter")
            if kind == "end" and not reserved(str(payload["serial"])) and (mine is None or counter is not None):
                return [Counted(None, counter), *reversed(back.found)]
            current = _Run(None if counter is None else int(counter))
        elif kind == "energise":
            current.energised += payload["source"] == name
        elif kind == "begin":
            mine = _mine(payload, back.physical)
            counter = None if mine is None else mine.get("counter")
            if counter is not None or current.end is not None:
                back.found.append(Counted(counter, current.end, current.energised))
            elif not reserved(str(payload["serial"])):
                return [Counted(None, None), *reversed(back.found)]  # a run from before the count was asked for
            current = _Run()
    return list(reversed(back.found))


def counter_reason(name: str, now: int, log: Iterable[Counted]) -> Reason | None:
    """Why an instrument may not be tested with, if its count moved outside the program; ``now`` is what it shows."""
    known: int | None = None
    slack = 0
    for each in log:
        if known is not None and each.begin is not None and not known <= each.begin <= known + slack:
            return jumped(name, known, each.begin)
        begin = known if each.begin is None else each.begin
        if each.end is None:  # the program ended in that run, or the count could not be read after it
            known, slack = begin, each.energised
        elif begin is not None and each.end < begin and each.begin is not None:
            return jumped(name, begin, each.end)
        else:
            known, slack = each.end, 0
    if known is None or known <= now <= known + slack:
        return None
    return jumped(name, known, now)


def jumped(name: str, known: int, now: int, bay: str = "") -> Reason:
    """That a count is not the one which is known, and what to do; with the bay where that is, of several."""
    what = f"{now - known} tests were made outside the program" if now > known else "it went back"
    return Reason(f"The test counter of {name} was {known} and is {now}: {what}.",
                  f"Find out who used it. {verify_it(name, bay)}")


def verify_it(name: str, bay: str = "") -> str:
    """How an instrument is verified, at a bay of several."""
    return f"Verify it: eolseq verify {name}{f' --bay {bay}' if bay else ''}."


def of_all_bays(name: str, now: int, physical: tuple[str, str], newest: Iterable[Mapping[str, Any]]) -> int | None:
    """Where several bays use an instrument: the count that the log knows, if what it shows now cannot follow from it.

    From the newest entry of a run on a unit, or of a verification that it passed, which gives its count, it may have
    moved by what was energised since, and by all that was energised in runs that were cut off: what those did is not
    known for certain.
    """
    known: int | None = None
    more, cut = 0, set[int]()
    for payload in newest:
        kind = payload["kind"]
        if kind == "abandon":
            cut.add(payload["run"])
        elif kind == "energise":
            more += payload["source"] == name and (known is None or payload["run"] in cut)
        elif known is None:
            known = _count_in(payload, physical)
        if kind == "begin":
            cut.discard(payload["index"])
        if known is not None and not cut:
            break
    return None if known is None or known <= now <= known + more else known


def noted(physical: tuple[str, str], newest: Iterable[Mapping[str, Any]]) -> bool:
    """Whether the newest entry that gives an instrument's count is a verification that it passed."""
    return next((payload["kind"] == "verification" for payload in newest
                 if payload["kind"] != "energise" and _count_in(payload, physical) is not None), False)


def _count_in(payload: Mapping[str, Any], physical: tuple[str, str]) -> int | None:
    """The count that an entry gives for certain: of a run on a unit, or of a verification that was passed."""
    kind = payload["kind"]
    if kind == "verification":
        named = payload["instrument"]
        return named.get("counter") if payload["outcome"] == "pass" and _physical(named) == physical else None
    mine = None if kind not in ("begin", "end") or reserved(str(payload["serial"])) else _mine(payload, physical)
    return None if mine is None else mine.get("counter")


def _physical(named: Mapping[str, Any]) -> tuple[str, str]:
    return str(named["model"]), str(named["serial"])


def _mine(payload: Mapping[str, Any], physical: tuple[str, str]) -> Mapping[str, Any] | None:
    return next((each for each in payload.get("instruments") or () if _physical(each) == physical), None)
