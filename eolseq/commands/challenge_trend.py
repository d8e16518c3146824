"""The trend of the good reference unit: judged at a challenge, and shown by ``records --challenges``."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from eolseq.quantity import counted

if TYPE_CHECKING:
    from pathlib import Path

    from eolseq.records.entries import Shown
    from eolseq.records.log import Log
    from eolseq.records.reader import Records
    from eolseq.sequence.model import Sequence
    from eolseq.station.checks import Challenges


def judged_by_trend(log: Log, challenge: Challenges, sequence: Sequence, shown: Iterable[Shown]) -> list[Shown]:
    """What was shown, the good unit missed if it drifted by more than the station file allows.

    A drift is a miss, no warning: the one unit that never changes reads otherwise, so nobody can say any more what the
    readings of the others are worth. Who wants it as a picture only states no ``drift`` in the station file.
    """
    from eolseq.verification.trend import PASSES, drifted, shown_of, trends

    done = list(shown)
    most = challenge.drift
    good = next((each for each in done if each.expected == PASSES and each.outcome == "caught"), None)
    if most is None or good is None or good.run is None:
        return done
    runs = [each.run for each in shown_of(log.documents, sequence.name, sequence.digest)]
    found = drifted(trends(_ends(log.path, log.origin, [*runs, good.run])), most / 100)
    if found is None or found.drift is None:
        return done
    said = (f"{found.step}, {found.reading} drifted by {found.drift * 100:+.1f} % of its band, from "
            f"{found.values[0]:f} to {found.values[-1]:f} {found.unit}; {most:f} % is the most")
    return [dataclasses.replace(each, outcome="missed", found=said) if each is good else each for each in done]


def trend_lines(records: Records) -> list[str]:
    """The trend of the good unit in the newest challenge's sequence, with a small chart for each reading."""
    from eolseq.verification.trend import chart, shown_of, trends, words

    challenges = [each for each in records.documents if each.kind == "challenge"]
    if not challenges:
        return []
    used = challenges[-1].payload["sequence"]
    runs = [each.run for each in shown_of(records.documents, used["name"], used["digest"])]
    found = trends(_ends(records.path, records.origin, runs))
    if not found:
        return []
    return ["", f"the good unit, {counted(len(runs), 'time')} with this sequence (o first, * last, in its band):",
            *(line for each in found
              for line in (f"  {each.step}, {each.reading}", f"    {words(each)}", f"    {chart(each)}"))]


def _ends(path: Path, origin: str, runs: list[int]) -> list[Mapping[str, Any]]:
    """The last entries of these runs, in their order; each is named by its own index."""
    from eolseq.records.tail import newest_first

    found: dict[int, Mapping[str, Any]] = {}
    for payload in newest_first(path, origin, frozenset({"end"})) if runs else ():
        if payload["index"] in runs:
            found[payload["index"]] = payload
        if payload["index"] <= min(runs):
            break
    return [found[index] for index in runs if index in found]
