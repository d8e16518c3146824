"""The standard cautions, shown and acknowledged by a named operator before anything is energised."""

from __future__ import annotations

STANDARD: tuple[str, ...] = (
    "The hard-wired interlock is the safety function. This program is not: it can fail, hang or be wrong. "
    "Never bridge, hold open or tie down a guard contact.",
    "Two-person rule: work only while a second person who knows the emergency stop and first aid for electric shock "
    "can see you.",
    "Local codes and licensed practice decide. Only people authorised for electrical testing at this plant may run a "
    "test; where this program and your rules differ, your rules hold.",
    "The test voltage can kill. Do not reach past the guard or touch unit, leads or fixture until the hard-wired "
    "green lamp is lit; if lamp and screen disagree, press the emergency stop and stay back.",
    "Stored charge: unit, leads and fixture can hold a charge after the test. Touch nothing until it is discharged "
    "and proved dead.",
    "Heating elements get hot enough to burn and stay hot long after power is off. Let them cool.",
    "The fan may start at any time and runs on after power is off. Keep clear until it stands still.",
    "Stop with the red emergency stop button, never by pulling a plug, a lead or a cable of this computer.",
)
"""Plain sentences, the most important first; a sequence adds its own after these."""
