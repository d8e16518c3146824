"""The values of a starting driver page for any role, made from the table of roles, so that it is complete.

The messages are placeholders: only the instrument's handbook knows the right ones.
"""

from __future__ import annotations

from typing import Any

from eolseq.instruments.roles import ROLES, Role

_LIMITS = {"V": ("10 V", "300 V"), "A": ("0.1 A", "30 A"), "s": ("0.1 s", "60 s"), "Hz": ("45 Hz", "65 Hz"),
           "ohm": ("0 ohm", "10 kohm"), "W": ("0 W", "10 kW"), "": ("1", "40")}
_ALONE = "frequency"
"""A setting that can mean nothing stands in a message of its own."""


def page_values(role_name: str, model: str) -> dict[str, Any]:
    """The values of a page for a role and a model of instrument."""
    role = ROLES[role_name]
    values: dict[str, Any] = {
        "role": role_name, "line": {"end": "LF", "second_connection": "no"},
        "identity": {"ask": "*IDN?", "reply": "{maker:text},{model:text},{serial:text},{firmware:text}",
                     "model": model},
        "errors": {"ask": "SYST:ERR?", "reply": "{code:integer},{words:text}", "none": "0"}}
    if role.danger:
        values["stop"] = "OUTP OFF"
    if role.takes:
        values["takes"] = {name: _setting(kind) for name, kind in role.takes.items()}
    if role.gives:
        values["gives"] = {name: {"in": unit, "ranges": [_range(unit)]} for name, unit in role.gives.items()}
    if role.flags:
        values["bits"] = {"state": {str(bit): flag for bit, flag in enumerate(role.flags)}}
    values["does"] = {name: _action(name, settings, role) for name, settings in role.does.items()}
    return values


def _limits(unit: str) -> tuple[str, str]:
    return _LIMITS.get(unit, (f"0 {unit}", f"100 {unit}"))


def _range(unit: str) -> dict[str, str]:
    return {"to": _limits(unit)[1], "resolution": f"0.1 {unit}", "accuracy": "1 % of reading + 2 counts"}


def _setting(kind: str | tuple[str, ...]) -> dict[str, Any]:
    if isinstance(kind, tuple):
        return {"words": {word: word.upper() for word in kind}}
    low, high = _limits(kind)
    return {**({"in": kind} if kind else {}), "from": low, "to": high}


def _action(name: str, settings: tuple[str, ...], role: Role) -> list[dict[str, str]]:
    message = f"CHANGE:{name.upper().replace('_', ':')}"
    if name == "measure":
        parts = [f"{{{each}:{unit}}}" for each, unit in role.gives.items()]
        return [{"ask": f"{message}?", "reply": ";".join([*parts, *(["{state:bits}"] if role.flags else [])])}]
    if name in ("output", "look"):
        return [{"ask": f"{message}?", "reply": "{state:bits}", "within": "25 ms" if name == "look" else "300 ms"}]
    if name == "closed":
        return [{"ask": f"{message}?", "reply": "{closed:channels}"}]
    together = [each for each in settings if each != _ALONE]
    sent = f"{message} {','.join(f'{{{each}}}' for each in together)}" if together else message
    lines = [{"send": f"{message}:{_ALONE.upper()} {{{_ALONE}}}"}] if _ALONE in settings else []
    return [*lines, {"ask": f"{sent};*OPC?", "reply": "1", "within": "500 ms"}]
