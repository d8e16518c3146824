"""Keeps what lasts as long as the program out of the collection of garbage while units are tested."""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager


@contextmanager
def settled() -> Iterator[None]:
    """No collection looks through what exists now while the block runs.

    Looking through all of it takes tens of milliseconds, and could come in the middle of a step.
    """
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
