"""Yields and causes: how many units passed at once, at which step the others did not, and which passed later. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import combinations
from typing import Any, NamedTuple

from eolseq.review.chance import Share, by_chance_in_all, held_against, share
from eolseq.review.retests import RetestCount

JUDGED = ("pass", "fail", "undecided")
"""Outcomes that say something of the unit; a stop or a fault of the station says nothing of it."""


class Failure(NamedTuple):
    """A model and step at which so many runs of so many judged ones of the model did not pass."""

    model: str
    step: str
    number: int
    of: int


class Unlike(NamedTuple):
    """Two bays with the same models, and how likely their yields are so unlike by chance; ``told``: too unlikely.

    ``model`` names all models that both had; they are compared model by model, and the yields are of those alone.
    """

    model: str
    bays: tuple[str, str]
    yields: tuple[Share, Share]
    chance: float
    told: bool


class Yield(NamedTuple):
    """The first-pass yield of a model, or at a bay."""

    name: str
    first_pass: Share


class Retested(NamedTuple):
    """Passes after a failure with nothing changed, of so many passes that an operator had at a bay."""

    operator: str
    bay: str
    number: int
    passes: int


class Again(NamedTuple):
    """Units that did not pass at a step of a model and then did with nothing changed on them: no fault was found."""

    model: str
    step: str
    number: int


@dataclass(slots=True)
class Counts:
    """Counts judged runs; ``take`` wants every one of the log up to the end of the window, in order."""

    judged: Counter[str] = field(default_factory=Counter)
    _first: Counter[tuple[str, str, bool]] = field(default_factory=Counter)
    _seen: dict[str, set[str]] = field(default_factory=dict)  # by sequence; no pair for each unit, a log has many
    _failed_at: Counter[tuple[str, str]] = field(default_factory=Counter)
    _step_of: dict[int, tuple[str, str]] = field(default_factory=dict)
    _retests: RetestCount = field(default_factory=RetestCount)
    _inside: set[int] = field(default_factory=set)
    _passes: Counter[tuple[str, str]] = field(default_factory=Counter)

    def take(self, index: int, end: Mapping[str, Any], model: str, *, inside: bool) -> bool:
        """One run's end, on a unit of a model; whether it is the first judged run of its unit with this sequence."""
        self._retests.take(index, end)
        sequence, serial, outcome = str(end["sequence"]["name"]), str(end["serial"]), str(end["outcome"])
        if outcome not in JUDGED:
            return False
        seen = self._seen.setdefault(sequence, set())
        first = serial not in seen
        seen.add(serial)
        if outcome != "pass":
            self._step_of[index] = model, _step_of(end, outcome)
        if inside:
            self._count(index, end, model, outcome, first)
        return first

    def _count(self, index: int, end: Mapping[str, Any], model: str, outcome: str, first: bool) -> None:
        self.judged[model] += 1
        if outcome == "pass":
            self._inside.add(index)
            self._passes[str(end["operator"]), str(end["bay"])] += 1
        else:
            self._failed_at[self._step_of[index]] += 1
        if first:
            self._first[model, str(end["bay"]), outcome == "pass"] += 1

    def rework(self, index: int, payload: Mapping[str, Any]) -> None:
        """A rework of a unit was entered."""
        self._retests.take(index, payload)

    def first_pass(self, model: str | None = None, bay: str | None = None) -> Share:
        """How many units passed at their first judged run, of a model and at a bay, or of all."""
        fits = {True: 0, False: 0}
        for (this, at, passed), count in self._first.items():
            if model in (None, this) and bay in (None, at):
                fits[passed] += count
        return share(fits[True], fits[True] + fits[False])

    def by_model(self) -> list[Yield]:
        """The first-pass yield of every model with a judged run, by name."""
        return [Yield(each, self.first_pass(each)) for each in sorted(self.judged)]

    def by_bay(self) -> list[Yield]:
        """The first-pass yield at every bay where a unit had its first judged run, by name."""
        return [Yield(each, self.first_pass(bay=each)) for each in self._bays()]

    def _bays(self) -> list[str]:
        return sorted({bay for _, bay, _ in self._first})

    def failures(self) -> list[Failure]:
        """The steps at which runs did not pass, most of them first."""
        return [Failure(model, step, count, self.judged[model])
                for (model, step), count in sorted(self._failed_at.items(), key=lambda each: (-each[1], each[0]))]

    def unlike(self) -> list[Unlike]:
        """Every two bays with a model in common, least likely by chance first; a mix of models feigns no difference."""
        found = [each for pair in combinations(self._bays(), 2) if (each := self._unlike(pair)) is not None]
        told = held_against(each.chance for each in found)
        return sorted((each._replace(told=mark) for each, mark in zip(found, told, strict=True)),
                      key=lambda each: (each.chance, each.bays))

    def _unlike(self, bays: tuple[str, str]) -> Unlike | None:
        one_bay, other_bay = bays
        counts = {model: (self._first_of(model, one_bay), self._first_of(model, other_bay))
                  for model in sorted(self.judged)}
        both = {model: pair for model, pair in counts.items() if pair[0][1] and pair[1][1]}
        if not both:
            return None
        one, other = (share(sum(pair[at][0] for pair in both.values()), sum(pair[at][1] for pair in both.values()))
                      for at in (0, 1))
        return Unlike(", ".join(both), bays, (one, other), by_chance_in_all(both.values()), False)

    def _first_of(self, model: str, bay: str) -> tuple[int, int]:
        """How many units of a model passed at their first judged run at a bay, and of how many."""
        passed, failed = (self._first[model, bay, outcome] for outcome in (True, False))
        return passed, passed + failed

    def retests(self) -> list[Retested]:
        """Passes after a failure with nothing changed, by operator and bay; most first."""
        counted = Counter((each.operator, each.bay) for each in self._retests.result.found
                          if each.passed in self._inside)
        return sorted((Retested(*key, counted[key], passes) for key, passes in self._passes.items()),
                      key=lambda row: (-row.number, row.operator, row.bay))

    def no_fault_found(self) -> list[Again]:
        """The same by the step that had not passed: where to look for a contact that is not good."""
        counted = Counter(self._step_of[each.failed] for each in self._retests.result.found
                          if each.passed in self._inside)
        return [Again(*key, count) for key, count in sorted(counted.items(), key=lambda each: (-each[1], each[0]))]


def _step_of(end: Mapping[str, Any], outcome: str) -> str:
    """The first step that ended as the run did."""
    return next((str(step["name"]) for step in end["steps"] if step["outcome"] == outcome), "no step")
