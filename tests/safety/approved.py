"""Run as a program: ``eolseq`` on a bench whose station file and driver pages count as approved, its checks as passed.

A real station asks for these even in a trial; the tests that use this are about voltage.
"""

from __future__ import annotations

import sys
from typing import Any

from eolseq.__main__ import main
from eolseq.commands import approving, checking


class Approved(approving.ApprovalGate):
    """A gate that lets every file pass."""

    def __init__(self, *_: Any, **__: Any) -> None:
        self.index = None
        self._refusal = None


class Checked(checking.StandingGate):
    """A gate that takes every check as passed."""

    def __init__(self, *_: Any, **__: Any) -> None:
        self._found = []


if __name__ == "__main__":
    checking.StandingGate = Checked  # type: ignore[misc]
    approving.ApprovalGate = Approved  # type: ignore[misc]
    sys.exit(main())
