"""The contact that lets a unit go on along the conveyor: a normally open relay, and no safety function.

It is closed only after a pass that is on record with its label, and opened at once at the start and on anything else;
without power it is open. What reads it must take open for "stop". Whoever may be hurt by a conveyor is protected by the
conveyor's own safety functions, never by this.
"""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress

from eolseq.errors import EolseqError, StationFault
from eolseq.instruments.roles import Instrument


def release_contact(switching: Instrument | None, connections: Mapping[str, int], name: str) -> ReleaseContact | None:
    """The contact that a station file names for a bay, opened; None if it names none. StationFault without a relay."""
    if not name:
        return None
    if switching is None or name not in connections:
        raise StationFault(f"This bay has no relay named '{name}' for its release contact.",
                           "Name it under 'connections' in the station file; it needs a switching unit.")
    return ReleaseContact(switching, connections[name])


class ReleaseContact:
    """One bay's release contact: a channel of its switching unit, read back each time; made open."""

    def __init__(self, switching: Instrument, channel: int) -> None:
        self._switching = switching
        self._channel = channel
        self.closed = False
        self.open()

    def close(self, *, passed: bool, label_sure: bool) -> bool:
        """Let the unit go on if it passed, on record, and its label is sure; open in any other case; how it is now."""
        if not (passed and label_sure):
            self.open()
            return False
        try:
            self._switching.perform("close", channel=self._channel)
            self._expect(True)
        except EolseqError:
            with suppress(EolseqError):
                self.open()
            raise
        self.closed = True
        return True

    def open(self) -> None:
        """Hold the unit back; StationFault when the relay was not seen to open."""
        self.closed = False
        self._switching.perform("open", channel=self._channel)
        self._expect(False)

    def _expect(self, wanted: bool) -> None:
        if (self._channel in self._switching.perform("closed").channels) is not wanted:
            raise StationFault(f"The release contact, channel {self._channel}, did not "
                               f"{'close' if wanted else 'open'}.", "Stop the conveyor here by hand, and call "
                               "maintenance to check the switching unit.")
