"""Run as a program: ``eolseq`` on a bench whose station file and driver pages count as approved.

A real station asks for these signatures even in a trial; the tests that use this are about voltage.
"""

from __future__ import annotations

import sys
from typing import Any

from eolseq.__main__ import main
from eolseq.commands import approving


class Approved(approving.ApprovalGate):
    """A gate that lets every file pass."""

    def __init__(self, *_: Any, **__: Any) -> None:
        self.index = None
        self._refusal = None


if __name__ == "__main__":
    approving.ApprovalGate = Approved  # type: ignore[misc]
    sys.exit(main())
