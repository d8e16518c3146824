"""What the tests of verifications share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.rig import Rig


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    """A station in virtual time, closed afterwards."""
    found = Rig(tmp_path)
    try:
        yield found
    finally:
        found.close()
