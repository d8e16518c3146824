"""A scanner on a serial port: its bytes, as they come. The only other user of pyserial is ``sessions.py``."""

from __future__ import annotations

from typing import TYPE_CHECKING

from eolseq.errors import LinkLost, LinkNotOpen

if TYPE_CHECKING:
    from serial import Serial

_WITHIN = 0.2  # s that a read waits


class Scanner:
    """A scanner's serial port, opened for this program alone."""

    def __init__(self, port: str, speed: int) -> None:
        self.port = port
        self._speed = speed
        self._serial: Serial | None = None

    def open(self) -> None:
        """Open the port; LinkNotOpen when it cannot be."""
        from serial import Serial, SerialException

        try:
            self._serial = Serial(self.port, self._speed, timeout=_WITHIN, exclusive=True)
        except (SerialException, OSError, ValueError) as error:
            raise LinkNotOpen(f"The scanner at {self.port} cannot be opened: {error}.",
                              "Plug it in, or type codes with = before them.", instrument="scanner") from error

    def read(self) -> bytes:
        """What has come, after at most a fifth of a second; LinkLost when the scanner has gone."""
        from serial import SerialException

        if self._serial is None:
            raise LinkLost(f"The scanner at {self.port} is not open.", "Plug it in.", instrument="scanner")
        try:
            return bytes(self._serial.read(max(1, self._serial.in_waiting)))
        except (SerialException, OSError, TypeError) as error:  # pyserial's own when the device goes while it reads
            self.close()
            raise LinkLost(f"The scanner at {self.port} has gone.", "Plug it in again, or type codes with = before "
                           "them.", instrument="scanner") from error

    def close(self) -> None:
        """Give the port back."""
        port, self._serial = self._serial, None
        if port is not None:
            port.close()
