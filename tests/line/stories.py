"""Short stories of one invented unit, told in words, and the entries that a station's log has of them."""

from __future__ import annotations

from dataclasses import replace

from eolseq.records import entries, line_entries
from eolseq.records.check_entries import EarlierCheck
from eolseq.records.log import Log
from tests.records.samples import begin, end, energise

UNIT = "DH6-00000001"


def run_of(log: Log, outcome: str, serial: str = UNIT, *, trial: bool = False, kind: str = "heater_resistance",
           reading: str = "resistance", operator: str = "op-1", bay: str = "bay-1") -> int:
    """One run on a unit; the index of the entry that ended it. ``open`` leaves it open, ``abandoned`` cuts it off."""
    mark = "yes" if trial else "no"
    index = log.append(replace(begin(log, serial), trial=mark, operator=operator, bay=bay))
    log.append(energise(index))
    if outcome == "open":
        return index
    if outcome == "abandoned":
        return log.append(entries.Abandon(run=index, serial=serial, reason="power cut", energised="yes"))
    ended = end(log, index, serial, outcome)
    readings = tuple(replace(each, name=reading) for each in ended.steps[0].readings)
    steps = (replace(ended.steps[0], name="the step", kind=kind, readings=readings),)
    return log.append(replace(ended, trial=mark, steps=steps, operator=operator, bay=bay))


def last_end(log: Log, serial: str = UNIT) -> int:
    """The entry that ended the unit's latest run; 1 when there is none, as a mistaken entry may say."""
    runs = log.runs(serial)
    return 1 if not runs or runs[-1].closed_by is None else runs[-1].closed_by


def tell(log: Log, event: str, serial: str = UNIT) -> int:
    """Write what an event of a story leaves in the log; its last index."""
    word, _, rest = event.partition(" ")
    if word == "rework":
        return log.append(line_entries.Rework(serial=serial, run=last_end(log, serial), sequence="duct heater 6 kW",
                                              cause="a wire", changed=None if rest == "nothing" else "the wire", by="op-1",
                                              lead="yes" if rest == "lead" else "no"))
    if word == "release":
        return log.append(line_entries.Release(serial=serial, run=last_end(log, serial), reason="near enough", by="q-1"))
    if word == "void":
        return log.append(line_entries.Void(serial=serial, run=last_end(log, serial), reason="opened", by="op-1"))
    if word == "leak":  # "leak fail 10": the result of an earlier check, made at ten minutes past
        result, minute = rest.split()
        return log.append(EarlierCheck(serial=serial, check="tracer-gas-leak", result=result, stated=result,  # type: ignore[arg-type]
                                       sentence=f"stated {result}", made=f"2026-03-02T10:{minute}:00Z", by="op-1",
                                       source="leak-tester-2"))
    return run_of(log, rest or word, serial, trial=word == "trial")
