"""What the log says of units between their runs, in words: where a unit stands, its reworks, releases and voids."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from eolseq.line.unit_state import UnitState
    from eolseq.records.reader import Records


def unit_state_of(found: Records, options: argparse.Namespace) -> UnitState:
    """Where a unit stands, by the rules of the station that was named."""
    from eolseq.line.unit_state import state_of
    from eolseq.station.line_fields import NO_REWORK

    if options.station is None:
        return state_of(found, options.serial, NO_REWORK)
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    return state_of(found, options.serial, load_station(find(options.station, shipped=True)).rework)


def standing_words(state: UnitState) -> list[str]:
    """Where a unit stands, and what it needs before it may be tested again."""
    said = [f"now {state.sentence}"]
    if state.refusal is not None:
        said.append(f"  {state.refusal}")
    elif state.repeat is not None:
        said.append(f"  All of '{state.repeat}' is to be repeated.")
    return said


def about_words(found: Records, serial: str) -> list[str]:
    """Every entry about a unit between its runs that has words here, oldest first."""
    return [f"{each.time[:19].replace('T', ' ')}  entry {each.index}  {_SAYS[each.kind](each.payload)}"
            for each in found.about(serial) if each.kind in _SAYS]


def _rework(said: Mapping[str, Any]) -> str:
    whose = "the lead's word, " if said["lead"] == "yes" else ""
    changed = f"changed: {said['changed']}" if said["changed"] is not None else "nothing changed on the unit"
    return f"rework by {said['by']}, {whose}after entry {said['run']}. Cause: {said['cause']}; {changed}"


def _release(said: Mapping[str, Any]) -> str:
    signed = "signed" if said["document"] is not None else "not signed"
    return f"released by {said['by']} ({signed}), undecided in entry {said['run']}: {said['reason']}"


def _void(said: Mapping[str, Any]) -> str:
    return f"pass of entry {said['run']} made void by {said['by']}: {said['reason']}"


def _label(said: Mapping[str, Any]) -> str:
    what = {"print": "label to be printed", "printed": "label taken by the printer",
            "read back": "label read back on its unit",
            "unknown": "label: UNKNOWN whether it was printed"}.get(said["event"], f"label {said['event']}")
    return f"{what}: {said['of']}, copy {said['copy']}, on the pass in entry {said['end']}"


def _earlier_check(said: Mapping[str, Any]) -> str:
    value = f", {said['value']}" if said["value"] is not None else ""
    came = f", {said['file']}:{said['row']}" if said["file"] is not None else ""
    why = f" ({said['sentence']})" if said["result"] != said["stated"] else ""
    made = said["made"][:16].replace("T", " ")
    return f"{said['check']} by {said['by']}{came}, made {made}: {said['result']}{value}{why}"


_SAYS: dict[str, Callable[[Mapping[str, Any]], str]] = {"rework": _rework, "release": _release, "void": _void,
                                                        "label": _label, "earlier_check": _earlier_check}


def retest_words(found: Records, *, as_json: bool) -> list[str]:
    """Units that passed after they had not, with nothing changed on them, counted by operator and bay."""
    from eolseq.review.retests import KINDS, retests

    result = retests(found.payloads(KINDS))
    if as_json:
        import json

        return [json.dumps({"counted": [{"operator": who, "bay": bay, "retests": count, "passes": passes}
                                        for who, bay, count, passes in result.counted()],
                            "retests": [{"serial": each.serial, "failed": each.failed, "passed": each.passed,
                                         "operator": each.operator, "bay": each.bay, "cause": each.cause}
                                        for each in result.found]}, indent=2)]
    said = ["passed after fail or undecided, with nothing changed on the unit:", "",
            f"{'operator':12}  {'bay':12}  {'retests':>7}  {'of passes':>9}"]
    said += [f"{who:12}  {bay:12}  {count:7}  {passes:9}" for who, bay, count, passes in result.counted()]
    said += [""] if result.found else ["", "none"]
    return said + [f"  {each.serial}: entry {each.failed}, then passed in entry {each.passed}, {each.operator} at "
                   f"{each.bay}; {each.cause or 'no rework entered'}" for each in result.found]
