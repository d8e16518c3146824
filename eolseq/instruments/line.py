"""How a model of instrument is spoken to, and what a message looks like on its line; nothing here touches a line."""

from __future__ import annotations

from dataclasses import dataclass

from eolseq.errors import InstrumentFault

LONGEST_REPLY = 65536
"""Bytes, terminator included; a longer reply is refused."""


@dataclass(frozen=True)
class Line:
    """The ``line`` of a driver page; the last five concern serial ports only, baud in bits a second."""

    end: bytes = b"\n"
    second_connection: bool = False
    echo: bool = False
    pause: float = 0.0            # s, before each message
    decimal_comma: bool = False   # for whoever reads numbers out of the reply; the link leaves the text alone
    open_within: float = 5.0      # s
    baud: int = 9600
    data_bits: int = 8
    parity: str = "none"          # none, even or odd
    stop_bits: int = 1
    handshake: str = "none"       # none, lines (RTS and CTS) or characters (XON and XOFF)


def encoded(message: str, line: Line, instrument: str) -> bytes:
    """Give the bytes of a message with its terminator; a line end inside it would make two messages of it."""
    if not message.isascii() or "\n" in message or "\r" in message:
        raise InstrumentFault(f"A message to {instrument} holds a letter that may not be sent.",
                              "Use ASCII letters and no line ends in the driver page.", instrument=instrument,
                              message=message)
    return message.encode("ascii") + line.end


def decoded(data: bytes, line: Line, instrument: str, message: str) -> str:
    """Give the text of a whole reply without its terminator; anything doubtful about it is a fault."""
    end = line.end
    if data.endswith(end) and data.isascii():
        text = data[:-len(end)].decode("ascii")
        if "\r" not in text and "\n" not in text:
            return text
        what, do = "holds line ends that its page does not have", "Correct 'end' in"
    elif data.endswith(end):
        what, do = "is not plain text", "Check cable, baud rate and parity; see"
    elif len(data) >= LONGEST_REPLY:
        what, do = f"is longer than {LONGEST_REPLY} bytes", "Check the messages of"
    else:
        what, do = "ends otherwise than its page says", "Correct 'end' in"
    raise InstrumentFault(f"The reply of {instrument} {what}.", f"{do} its driver page.", instrument=instrument,
                          message=message, reply=shown(data[:200]))


def shown(data: bytes) -> str:
    """Give bytes as text for a person: whatever is not ASCII is escaped."""
    return data.decode("ascii", "backslashreplace")
