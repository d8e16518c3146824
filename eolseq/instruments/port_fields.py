"""The keys that say how a serial port is set: in driver pages and, where a bench differs, in its station file."""

from __future__ import annotations

from eolseq.shape import Count, Field, Word

PORT_FIELDS = {
    "baud": Field(Count(50, 4_000_000), False, about="serial lines: bits a second"),
    "data_bits": Field(Count(5, 8), False, about="serial lines"),
    "parity": Field(Word(("none", "even", "odd")), False, about="serial lines"),
    "stop_bits": Field(Count(1, 2), False, about="serial lines"),
    "handshake": Field(Word(("none", "lines", "characters")), False, about="serial lines"),
}
