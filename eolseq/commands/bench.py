"""What checks and tools share: a bench opened for work without a unit to be released, and how its instruments stand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import argparse
    from typing import TextIO

    from eolseq.commands.run import Asking
    from eolseq.commands.wiring import Order, Wires
    from eolseq.records.log import Log
    from eolseq.records.reader import Records
    from eolseq.station.file import Station
    from eolseq.station.open import OpenStation
    from eolseq.verification.standing import OnBench, Past, Present, Reason


@contextmanager
def held(station: Station) -> Iterator[None]:
    """No other eolseq works on this real station for the block; Refused when one does.

    A question in the middle of a test could spoil a reading, and reading an error queue would hide its errors. A
    simulated station is started anew for every command, so nobody else has it.
    """
    folder = Path(station.records)
    if station.simulated or not folder.is_dir():
        yield
        return
    from os import O_CLOEXEC, O_DIRECTORY, O_RDONLY

    from eolseq.records.folder import take
    from eolseq.records.system import OperatingSystem

    system = OperatingSystem()
    descriptor = take(folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC, system)
    try:
        yield
    finally:
        system.close(descriptor)


@dataclass(frozen=True)
class AtBench:
    """A station opened by a command that runs no unit to be released: every output is off, its log is ready.

    ``order`` tells a simulated station to do something to itself; None at a real one.
    """

    screen: Any
    order: Order | None
    wires: Wires
    opened: OpenStation
    asking: Asking
    log: Log


@contextmanager
def at_bench(options: argparse.Namespace, station: Station, path: Path, pages: Mapping[str, Any], stream: TextIO,
             bay: str | None = None) -> Iterator[AtBench]:
    """Open a station with its screen on a stream, signals, trace and log; everything is closed after the block.

    ``options`` has ``acknowledge`` and ``trace``; ``pages`` are the driver pages by instrument name.
    """
    import sys

    from eolseq.clock import SystemClock
    from eolseq.commands import run as running
    from eolseq.commands.tracing import traced
    from eolseq.commands.verify import bench_of
    from eolseq.commands.wiring import real_wires
    from eolseq.screen.opening import open_screen
    from eolseq.station.open import open_station

    screen = open_screen(stream, SystemClock(), plain=True)
    sys.setswitchinterval(running.SWITCH_INTERVAL)
    with ExitStack() as stack:
        stack.callback(screen.close)
        addresses, order = stack.enter_context(bench_of(station, path, bay))
        wires = stack.enter_context(traced(real_wires(addresses), options))
        opened = open_station(station, pages, wires.addresses, wires.manager, wires.clock)
        stack.callback(opened.close)
        asking = running.Asking(screen, options.acknowledge)
        stack.enter_context(running.signals_stop(opened, asking))
        log = running.ready_log(station, opened, wires.clock)
        stack.callback(log.close)
        running.say_out_of_use(opened)
        yield AtBench(screen, order, wires, opened, asking, log)


@dataclass(frozen=True)
class StandingNow:
    """How a station stands: by instrument its last verification and every reason against it; the last challenge.

    ``challenged`` and ``against``: the same of the station as a whole; ``lock`` is why it is locked, or empty.
    """

    verified: Mapping[str, Past | None]
    reasons: Mapping[str, list[Reason]]
    challenged: Past | None
    against: list[Reason]
    lock: str


def standing_now(station: Station, pages: Mapping[str, Any], instruments: tuple[OnBench, ...],
                 now: datetime) -> StandingNow:
    """What the station's log says of these instruments, without touching it; a log that is not there says nothing."""
    from eolseq.commands.covering import history_of
    from eolseq.records.reader import Records
    from eolseq.records.scan import LOG_NAME
    from eolseq.verification.standing import challenge_reasons, reasons_about

    folder = Path(station.records)
    records = Records.open(folder) if (folder / LOG_NAME).is_file() else None
    past = history_of(records, simulated=bool(station.simulated)) if records is not None else ()
    present = _present(station, instruments, now, records)
    mine = {each.name: reasons_about(present, each, past) for each in instruments}
    challenged, against = challenge_reasons(present, past)
    lock = records.locked() if records is not None else None
    return StandingNow({name: last for name, (last, _) in mine.items()},
                       {name: reasons for name, (_, reasons) in mine.items()}, challenged, against,
                       "" if lock is None else f"The station is locked (entry {lock.index}): {lock.reason} {lock.do}")


def _present(station: Station, instruments: tuple[OnBench, ...], now: datetime, records: Records | None) -> Present:
    from eolseq.commands.covering import since_of
    from eolseq.station.checks import Checks, Demand
    from eolseq.verification.standing import Present, Since

    never = Checks(Demand("never"), Demand("never"))
    since = Since() if records is None else since_of(records, "")._replace(sequence=Since().sequence)
    return Present(now, station.checks or never, instruments, station.certified, station.digest, "", "",
                   records.runs_since if records is not None else lambda _: 0, since=since)
