"""What all tests share."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

_MEMORY = Path("/dev/shm")


@pytest.fixture
def quick_path() -> Iterator[Path]:
    """A folder in memory where there is one, so that thousands of durable writes do not wait for a disk."""
    with tempfile.TemporaryDirectory(dir=_MEMORY if _MEMORY.is_dir() else None) as name:
        yield Path(name)
