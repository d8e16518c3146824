"""Lines of any other kind that pyvisa reaches: HiSLIP and VXI-11 through pyvisa-py, and other backends.

Their sessions are not ours: a wait on them cannot be ended by another task, and whether the peer has gone is known only
when something is asked. So they are for instruments that measure or switch, never for one that makes danger, nor for
the guard unit. Status is polled; service requests are never enabled. Everything else holds as on any link: deadlines,
one owner, and no answer after a failure until the line was opened afresh and its instrument cleared.
"""

from __future__ import annotations

import contextlib
from typing import Any

import pyvisa
from pyvisa.constants import ResourceAttribute, StatusCode

from eolseq.errors import LinkNotOpen
from eolseq.instruments.line import LONGEST_REPLY, decoded
from eolseq.instruments.link import Link

WHOLE = (StatusCode.success, StatusCode.success_termination_character_read)


class _PlainSession:
    """What a link asks of a session, for one that can do none of it."""

    dirty = False
    lost = False
    pending = b""

    def abort(self) -> None:
        """The link itself refuses the answer when it has come; it cannot come sooner."""

    def clear_abort(self) -> None:
        """Nothing was ended."""

    def write_now(self, data: bytes, seconds: float) -> StatusCode:
        """No OFF goes this way: nothing that makes danger is on such a line."""
        return StatusCode.error_nonsupported_operation


class PlainLink(Link):
    """The line to one instrument that only measures or switches."""

    # These stacks also raise AssertionError, struct.error and errors of their own.
    stack_errors = open_errors = (Exception,)

    def _check_kind(self) -> None:
        """Any address will do."""

    def _find_session(self) -> Any:
        """Whatever an earlier owner left unread goes; then a session that promises nothing."""
        with contextlib.suppress(*self.stack_errors):  # not every line can be cleared
            self._resource.clear()
        return _PlainSession()

    def _terminators(self) -> list[tuple[str, ResourceAttribute, Any]]:
        """The line itself marks the end of a message."""
        return []

    def _get(self, message: str, deadline: float, within: float) -> str:
        try:
            self._allow(deadline - self._monotonic())
            data, status = self._visalib.read(self._handle, LONGEST_REPLY)
        except self.stack_errors as error:
            raise self._failed(error, message, within) from error
        if status not in WHOLE or len(data) >= LONGEST_REPLY:
            raise self._failed(OSError("an answer without an end"), message, within)
        end = self.line.end
        reply = decoded(data if data.endswith(end) else data + end, self.line, self.name, message)
        if self.trace is not None:
            self.trace(self.name, "in", reply, self._monotonic())
        return reply


def backend_manager(backend: str) -> pyvisa.ResourceManager:
    """The resource manager of another pyvisa backend, such as ``@ivi`` or the path of a VISA library."""
    try:
        return pyvisa.ResourceManager(backend)
    except (pyvisa.errors.Error, OSError, ValueError) as error:
        raise LinkNotOpen(f"The pyvisa backend {backend} cannot be used: {error}.",
                          "Install it, or take 'backend' out of the station file.") from error
