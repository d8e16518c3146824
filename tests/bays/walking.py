"""Every order of waking of a small case, one run of it for each: choices are made by a list that is counted up."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from eolseq.clock import VirtualClock


class Choices:
    """Picks by a prefix of choices, then always the first; remembers how many there were each time."""

    def __init__(self, prefix: list[int]) -> None:
        self.made: list[int] = []
        self.options: list[int] = []
        self._prefix = prefix

    def __call__(self, ready: list[str]) -> int:
        at = len(self.made)
        pick = self._prefix[at] if at < len(self._prefix) else 0
        self.made.append(pick)
        self.options.append(len(ready))
        return pick


def following(choices: Choices) -> list[int] | None:
    """The next prefix in order, or None after the last."""
    made, options = choices.made, choices.options
    for at in range(len(made) - 1, -1, -1):
        if made[at] + 1 < options[at]:
            return [*made[:at], made[at] + 1]
    return None


def every_order(case: Callable[[VirtualClock], None]) -> Iterator[Choices]:
    """Run a case once in every order in which its tasks can wake; gives the choices of each run after it."""
    prefix: list[int] | None = []
    while prefix is not None:
        clock = VirtualClock()
        choices = Choices(prefix)
        clock.choose = choices
        case(clock)
        clock.choose = None
        clock.close()
        yield choices
        prefix = following(choices)
