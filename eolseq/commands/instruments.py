"""``eolseq instruments``: who answers at the bench, how fast, and whether each may be tested with today."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands import signing
from eolseq.commands.tracing import trace_argument, traced

if TYPE_CHECKING:
    from eolseq.commands.bench import StandingNow
    from eolseq.station.file import Station
    from eolseq.station.looking import Looked

NAME = "instruments"
HELP = """show who answers at the bench, how fast, and whether each may be tested with today

Every instrument is asked who it is, and its error queue is read, which empties it. Nothing is set or switched. Ends
with 1 when one is past due, was not verified as the station asks, or had an error; with 5 when one does not answer as
it must."""

HEADS = ("instrument", "model", "serial", "at", "round trip", "calibrated to", "standing")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the station and the form of the answer."""
    parser.add_argument("--station", metavar="S", type=Path, required=True, help="the station file")
    parser.add_argument("--json", action="store_true", help="one JSON document on standard output")
    trace_argument(parser)


def run(options: argparse.Namespace) -> int:
    """Look at all of them; 0 when everything is in order."""
    from eolseq.commands.bench import standing_now
    from eolseq.commands.run import pages_of
    from eolseq.shipped import find
    from eolseq.station.file import load_station

    path = find(options.station, shipped=True)
    station = load_station(path)
    pages = pages_of(station)
    seen, now = _look(options, station, path, pages)
    standing = standing_now(station, pages, tuple(_on_bench(station, each, pages) for each in seen), now)
    if options.json:
        _print_json(station, seen, standing)
    else:
        for line in _words(station, seen, standing):
            print(wrapped(signing.visible(line)))
    return _code(seen, standing)


def _look(options: argparse.Namespace, station: Station, path: Path,
          pages: Mapping[str, Any]) -> tuple[tuple[Looked, ...], Any]:
    from eolseq.commands.bench import held
    from eolseq.commands.run import SWITCH_INTERVAL
    from eolseq.commands.verify import bench_of
    from eolseq.commands.wiring import real_wires
    from eolseq.station.looking import look_at

    sys.setswitchinterval(SWITCH_INTERVAL)
    with ExitStack() as stack:
        stack.enter_context(held(station))
        addresses, _ = stack.enter_context(bench_of(station, path))
        wires = stack.enter_context(traced(real_wires(addresses), options))
        return look_at(station, pages, wires.addresses, wires.manager, wires.clock), wires.clock.now()


def _on_bench(station: Station, seen: Looked, pages: Mapping[str, Any]) -> Any:
    """As it says it is; one that does not answer, as the station file says it is."""
    from eolseq.station.shown import verifiable
    from eolseq.verification.standing import OnBench

    model, serial = (seen.identity.model, seen.identity.serial) if seen.identity else (seen.model, seen.place.serial)
    return OnBench(seen.place.name, model, serial, seen.place.calibrated_until, pages[seen.place.name].digest,
                   verifiable(station, seen.role), station.bay_of(seen.place.name))


def _code(seen: Sequence[Looked], standing: StandingNow) -> int:
    if any(each.problem for each in seen):
        return 5
    found = any(each.errors for each in seen) or any(standing.reasons.values()) or standing.against or standing.lock
    return 1 if found else 0


# -- what comes out ---------------------------------------------------------------------------------------------


def _words(station: Station, seen: Sequence[Looked], standing: StandingNow) -> list[str]:
    rows = [_row(each, standing) for each in seen]
    widths = [max(len(row[n]) for row in (HEADS, *rows)) for n in range(len(HEADS))]
    said = [station.name + (" (SIMULATED)" if station.simulated else ""), ""]
    said += ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
             for row in (HEADS, *rows)]
    said.append("")
    for each in seen:
        said += [f"{each.place.name}: {words.removeprefix(f'{each.place.name} ')}" for words in _about(each, standing)]
    return [*said, *_of_station(standing)]


def wrapped(words: str) -> str:
    """Words broken between words on a terminal, a row of a table left as it is; all of it as it is elsewhere."""
    if not sys.stdout.isatty() or "  " in words:
        return words
    import shutil
    import textwrap

    return textwrap.fill(words, shutil.get_terminal_size().columns, subsequent_indent="  ")


def _row(seen: Looked, standing: StandingNow) -> tuple[str, ...]:
    serial = seen.identity.serial if seen.identity else seen.place.serial
    time = "-" if seen.round_trip is None else f"{seen.round_trip * 1000:.2f} ms"
    return (seen.place.name, seen.model, serial, at_words(seen.address), time,
            seen.place.calibrated_until.isoformat(), _standing_word(seen, standing))


def _standing_word(seen: Looked, standing: StandingNow) -> str:
    if seen.problem:
        return "WRONG" if seen.identity else "NO ANSWER"
    if standing.reasons[seen.place.name] or seen.errors:
        return "SEE BELOW"
    return "good" if standing.verified[seen.place.name] else "unverified"


def at_words(address: str) -> str:
    """A VISA address as people say it: host and port, or the port's name; any other kind as it is."""
    parts = address.split("::")
    if parts[0].upper().startswith("TCPIP") and parts[-1].upper() == "SOCKET" and len(parts) == 4:
        return f"{parts[1]}:{parts[2]}"
    return parts[0][4:] if parts[0].upper().startswith("ASRL") else address


def _about(seen: Looked, standing: StandingNow) -> list[str]:
    """Whatever stands against an instrument, each with what to do."""
    if seen.problem:
        return [seen.problem]
    found = [f"Error in its queue: {each}. Look it up in its manual; it is read and gone now." for each in seen.errors]
    return found + [f"{each.what} {each.do}" for each in standing.reasons[seen.place.name]]


def _of_station(standing: StandingNow) -> list[str]:
    last = standing.challenged
    said = [f"{each.what} {each.do}" for each in standing.against]
    if last is not None and not said:
        said.append(f"Last challenge: {last.time:%Y-%m-%d %H:%M} UTC, entry {last.index}, {last.payload['outcome']}.")
    verified = [f"{name} {each.time:%Y-%m-%d %H:%M}" for name, each in standing.verified.items() if each is not None]
    if verified:
        said.append(f"Last verified (UTC): {', '.join(verified)}.")
    return said + ([standing.lock] if standing.lock else [])


def _print_json(station: Station, seen: Sequence[Looked], standing: StandingNow) -> None:
    import json

    print(json.dumps({
        "station": station.name, "simulated": bool(station.simulated), "lock": standing.lock or None,
        "challenge": _past(standing.challenged), "against": [f"{each.what} {each.do}" for each in standing.against],
        "instruments": [{
            "name": each.place.name, "role": each.role, "model": each.model, "address": each.address,
            "identity": each.identity.raw if each.identity else None,
            "serial": each.identity.serial if each.identity else None,
            "round_trip_ms": None if each.round_trip is None else f"{each.round_trip * 1000:.3f}",
            "calibrated_until": each.place.calibrated_until.isoformat(), "errors": list(each.errors),
            "verification": _past(standing.verified[each.place.name]), "problem": each.problem or None,
            "reasons": [f"{one.what} {one.do}" for one in standing.reasons[each.place.name]]}
            for each in seen]}, indent=2))


def _past(past: Any) -> dict[str, Any] | None:
    return None if past is None else {"entry": past.index, "time": past.time.isoformat(),
                                      "outcome": past.payload["outcome"], "trusted": past.trusted}
