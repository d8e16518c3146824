"""What all tests share."""

from __future__ import annotations

import gc
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

_MEMORY = Path("/dev/shm")
_ALONE = "real_time"

settings.register_profile("busy", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("busy")  # a computer that does much else is slow, and a property holds all the same


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """Only files that name the mark are read for the tests that run alone: to read all takes as long as a minute of them."""
    is_test = collection_path.name.startswith("test_") and collection_path.suffix == ".py"
    if is_test and config.getoption("markexpr") == _ALONE and _ALONE not in collection_path.read_text("utf-8"):
        return True
    return None


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """A test that got that mark from elsewhere would run nowhere."""
    marked = {item.path for item in items if item.get_closest_marker(_ALONE)}
    unnamed = [str(path) for path in marked if _ALONE not in path.read_text("utf-8")]
    if unnamed:
        raise pytest.UsageError(f"Write the mark {_ALONE} into {', '.join(unnamed)}.")


@pytest.hookimpl(trylast=True)
def pytest_collection_finish() -> None:
    """What was collected lasts to the end: to look through it for garbage takes a tenth of a second each time."""
    gc.collect()
    gc.freeze()


@pytest.fixture
def quick_path() -> Iterator[Path]:
    """A folder in memory where there is one, so that thousands of durable writes do not wait for a disk."""
    with tempfile.TemporaryDirectory(dir=_MEMORY if _MEMORY.is_dir() else None) as name:
        yield Path(name)
