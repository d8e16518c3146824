"""Whom to call after a refusal. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from eolseq.station.shift_fields import ROLES


def whom(sentence: str, call: Mapping[str, str]) -> str:
    """Who helps, by the first of the roles that a sentence names, else the lead; with how they are reached."""
    lowered = sentence.lower()
    named = sorted((lowered.index(role), role) for role in ROLES if role in lowered)
    role = named[0][1] if named else "lead"
    how = call.get(role, "")
    return f"Call {'the lead' if role == 'lead' else role}{f': {how}' if how else '.'}"
