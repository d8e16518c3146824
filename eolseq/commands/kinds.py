"""The kinds of file that people write, by the words of the command line: their tables of fields, when asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from eolseq.shape import Group

KINDS = {"sequence": "sequence", "page": "driver page", "register-page": "register page", "station": "station",
         "simulator": "simulator", "label": "label"}
"""Word on the command line -> what stands under ``kind`` in the file."""


def fields_of(word: str) -> Group:
    """The table of fields of a kind of file; only that kind's room is imported."""
    if word == "sequence":
        from eolseq.sequence.load import SEQUENCE

        return SEQUENCE
    if word == "page":
        from eolseq.instruments.page import PAGE

        return PAGE
    if word == "register-page":
        from eolseq.instruments.register_page import REGISTER_PAGE

        return REGISTER_PAGE
    if word == "station":
        from eolseq.station.file import STATION

        return STATION
    if word == "label":
        from eolseq.line.template import LABEL

        return LABEL
    from eolseq.simulation.fields import SIMULATOR

    return SIMULATOR


def schema_text(word: str) -> str:
    """The JSON Schema of a kind of file, as text."""
    import json

    from eolseq.schema import schema_of

    return json.dumps(schema_of(KINDS[word], fields_of(word)), indent=2)
