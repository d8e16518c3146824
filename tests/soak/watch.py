"""What a soak watches between two lives: descriptors, memory, and whether anything keeps a process that has ended.

The bounds are this project's own; there is no source for them.
"""

from __future__ import annotations

import ctypes
import gc
import os
import sys
import weakref
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any, NamedTuple

OFTEN = 8          # lives after each of which memory is looked at; later after every fifth
BLOCKS = 25.0      # pieces of memory of Python that may stay behind of a scan: books about four, caches that fill some
BYTES = 1500.0     # by which the resident memory may grow a scan; a unit in the books is about 300
ENOUGH = 100       # scans from which on the pieces of memory tell something
ENOUGH_BYTES = 3000  # scans from which on the resident memory does: it comes in steps of a megabyte


class Memory(NamedTuple):
    """Memory between two lives, after so many scans: pieces that Python has given out, and what is resident (KiB)."""

    scans: int
    blocks: int
    resident: int


@dataclass
class Watch:
    """``look`` after every life, when nobody holds anything of it any more; ``leaks`` is what was left behind."""

    descriptors: list[int] = field(default_factory=list)
    memory: list[Memory] = field(default_factory=list)
    left_over: int = 0   # processes of the program that something still holds
    lives: int = 0
    _ended: list[weakref.ref[Any]] = field(default_factory=list)

    def ended(self, process: Any) -> None:
        """A process has come to its end; it must not be held by anything when ``look`` is called."""
        self._ended.append(weakref.ref(process))

    def look(self, scans: int, *, last: bool = False) -> None:
        """Between two lives, after so many scans."""
        self.lives += 1
        self.descriptors.append(len(os.listdir("/proc/self/fd")))
        if not last and self.lives > OFTEN and self.lives % 5:
            return
        gc.collect()
        self._ended = [each for each in self._ended if each() is not None]
        self.left_over = max(self.left_over, len(self._ended))
        with suppress(AttributeError, OSError):  # where the C library is another one
            ctypes.CDLL("libc.so.6").malloc_trim(0)
        with open("/proc/self/statm", "rb") as stream:
            pages = int(stream.read().split()[1])
        self.memory.append(Memory(scans, sys.getallocatedblocks(), pages * os.sysconf("SC_PAGESIZE") // 1024))

    def grown(self) -> tuple[int, float, float]:
        """From a fifth of the soak to its end: scans, pieces of memory and bytes (resident) that came a scan."""
        if not self.memory:
            return 0, 0.0, 0.0
        last = self.memory[-1]
        first = next(each for each in self.memory if each.scans >= last.scans // 5)
        scans = last.scans - first.scans
        return (scans, (last.blocks - first.blocks) / max(1, scans),
                (last.resident - first.resident) * 1024 / max(1, scans))

    @property
    def leaks(self) -> list[str]:
        """What a process left behind: descriptors that stay open between lives, memory, or the process itself."""
        found = [f"{self.left_over} processes of the program are still held"] if self.left_over else []
        if len(set(self.descriptors)) > 1:
            found.append(f"descriptors between lives: {min(self.descriptors)} to {max(self.descriptors)}")
        scans, blocks, grown = self.grown()
        if scans >= ENOUGH and blocks > BLOCKS:
            found.append(f"{blocks:.1f} pieces of memory stay behind of a scan")
        if scans >= ENOUGH_BYTES and grown > BYTES:
            found.append(f"resident memory grows by {grown:.0f} bytes a scan")
        return found

    def told(self) -> str:
        """The figures in words."""
        scans, blocks, grown = self.grown()
        fifths = [self.memory[number * (len(self.memory) - 1) // 5].resident for number in range(6)] if self.memory else []
        return (f"between lives: descriptors {min(self.descriptors, default=0)} to {max(self.descriptors, default=0)}; "
                f"processes left over: {self.left_over}; resident at each fifth {fifths} KiB; over the last {scans} scans {grown:.0f} bytes and {blocks:.2f} pieces of memory a scan; "
                f"leaks: {self.leaks}")
