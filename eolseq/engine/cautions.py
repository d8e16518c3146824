"""The standard cautions, shown and acknowledged by a named operator before anything is energised.

Short enough that, with a few of the sequence's own, all are seen at once on a terminal of 80 by 24.
"""

from __future__ import annotations

STANDARD: tuple[str, ...] = (
    "The hard-wired interlock is the safety function; this program is not: it can hang or be wrong. "
    "Never bridge or hold a guard contact.",
    "Two-person rule: a second person who knows the emergency stop and first aid for electric shock must be able "
    "to see you.",
    "Local codes and licensed practice decide; only authorised people may test.",
    "Test voltage can kill. Touch nothing until the hard-wired green lamp is lit; if lamp and screen disagree, "
    "press the emergency stop and stay back.",
    "Stored charge: touch nothing until unit, leads and fixture are proved dead.",
    "Heating elements get hot and stay hot long after power is off.",
    "The fan may start at any time and runs on after OFF. Wait until it stands.",
    "Stop with the red button, never by pulling a plug, lead or computer cable.",
)
"""Plain sentences, the most important first; a sequence adds its own after these."""
