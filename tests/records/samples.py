"""A small invented log for the tests: Aldervale Thermal's demo units, a fixed key and a fixed clock."""

from __future__ import annotations

import os
from datetime import UTC, datetime
from pathlib import Path

from eolseq.clock import Clock, VirtualClock
from eolseq.records import entries
from eolseq.records.keys import SigningKey
from eolseq.records.log import Log
from eolseq.records.system import OperatingSystem

# RFC 8032 section 7.1, TEST 1: a published secret, for tests only.
SEED = bytes.fromhex("9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60")
KEY = SigningKey.from_seed(SEED)
ORIGIN_NAME = "aldervale.example/bench-1"
ORIGIN = f"{ORIGIN_NAME}/{KEY.keyid}"
ROLE = "simulated station"
SEQUENCE = entries.SequenceUsed("duct heater 6 kW", "sequences/duct-heater-6kw.yaml", "ab" * 32)


class FixedSystem(OperatingSystem):
    """The operating system with one boot for ever, so that logs come out the same."""

    def boot(self) -> str:
        return "the boot of the tests"

    def fdatasync(self, descriptor: int) -> None:
        """Nothing: no test cuts the power."""

    def fsync(self, descriptor: int) -> None:
        """Nothing: no test cuts the power."""


def write_key(path: Path, key: SigningKey = KEY) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(key.pem())
    os.chmod(path, 0o600)
    return path


def open_log(base: Path, *, clock: Clock | None = None, system: OperatingSystem | None = None, role: str = ROLE,
             origin_name: str = ORIGIN_NAME) -> Log:
    """The log in base/records, signed by the fixed key, in virtual time."""
    key = base / "keys" / "station.pem"
    if not key.exists():
        write_key(key)
    return Log.open(base / "records", origin_name=origin_name, key_path=key, role=role, clock=clock or VirtualClock(),
                    os=system or FixedSystem(), software="test")


def begin(log: Log, serial: str = "DH6-00000001") -> entries.Begin:
    earlier = log.attempts(serial)
    return entries.Begin(serial=serial, attempt=len(earlier) + 1, mode="simulated", trial="no", bay="1",
                         earlier_count=len(earlier), earlier=tuple(earlier[-entries.EARLIER_KEPT:]), sequence=SEQUENCE,
                         withstand_applications=log.withstand_applications(serial),
                         instruments=(entries.InstrumentNamed("wt", "WT-5", "1001"),), station="demo bench", station_digest="cd" * 32, pages={"wt": "ef" * 32}, operator="demo",
                         cautions=("Two people are present.",), software="test")


def energise(run: int) -> entries.Energise:
    return entries.Energise(run=run, step="withstand", kind_of_step="dielectric_withstand", source="wt",
                            settings={"voltage": "1776 V", "hold": "1 s"})


def measured(value: str | None = "0.000420", outcome: str = "pass") -> entries.Measured:
    return entries.Measured(
        name="current", raw="+4.20E-4", value=value, unit="A", at_least="0.00005", at_most="0.00500",
        basis="common practice, no source", outcome=outcome, sentence="The current is inside its band.", rule="as read",
        instrument=entries.InstrumentUsed("wt", "WT-5", "1001", "4 mA", "1.5 % of reading + 5 counts"))


def reading(run: int) -> entries.Reading:
    applied = (entries.Applied("voltage", "1775", "1777", "V", "1758", "1794", 11),)
    return entries.reading(run, "withstand", "dielectric_withstand", measured(), applied)


def end(log: Log, run: int, serial: str = "DH6-00000001", outcome: str = "pass") -> entries.End:
    earlier = log.attempts(serial)[:-1]
    step = entries.StepDone("withstand", "dielectric_withstand", outcome, "As wanted.", (measured(outcome=outcome),),
                            (entries.Applied("voltage", "1775", "1777", "V", "1758", "1794", 11),))
    standing = entries.InstrumentStanding("wt", "withstand_tester", "Aldervale,WT-5,1001,1.0", "WT-5", "1001", "2027-01-31")
    return entries.End(run=run, serial=serial, outcome=outcome, sentence="As wanted.", mode="simulated", trial="no",
                       bay="1", attempt=len(earlier) + 1, earlier_count=len(earlier),
                       earlier=tuple(earlier[-entries.EARLIER_KEPT:]),
                       withstand_applications=log.withstand_applications(serial), steps=(step,), instruments=(standing,),
                       operator="demo", cautions=("Two people are present.",), sequence=SEQUENCE, software="test")


def whole_run(log: Log, serial: str = "DH6-00000001", outcome: str = "pass") -> int:
    """A run from begin to end; the index of its end."""
    run = log.append(begin(log, serial))
    log.append(energise(run))
    log.append(reading(run))
    return log.append(end(log, run, serial, outcome))


def every_kind(log: Log) -> None:
    """One entry of every kind there is so far."""
    whole_run(log, outcome="fail")
    whole_run(log)
    run = log.append(begin(log, 'odd "serial" \\ é\n'))
    log.append(energise(run))
    log.append(entries.Abandon(run=run, serial='odd "serial" \\ é\n', reason="The program ended.", energised="yes"))
    log.append(entries.Lock(reason="Dead was not proved.", do="Measure before opening."))
    log.append(entries.Unlock(by="demo", reason="Dead proved at the start."))
    log.append(entries.Remark(serial=None, reason="Refused: the guard was not closed."))
    log.append(entries.ClockMark(behind="1.5", last="2026-01-05T06:00:00.000000Z", reason="The clock went back."))
    log.append(entries.Verification(instrument=entries.InstrumentNamed("wt", "WT-5", "1001"), outcome="pass",
                                    sentence="It reads the known load right."))
    log.append(entries.Close(reason="The program ended."))


DEBRIS = b'{"payloadType":"application/vnd.eolseq.entry.v1+json","payload":"eyJ2Ijox' + bytes(8)


def golden_log(base: Path) -> Path:
    """The log that is kept with the tests: every kind, the debris of a crash, and its recovery; the log's path."""
    clock = VirtualClock(datetime(2026, 1, 5, 6, 0, tzinfo=UTC))
    with open_log(base, clock=clock) as log:
        clock.sleep(1.25)
        every_kind(log)
        log.checkpoint()
    with log.path.open("ab") as stream:
        stream.write(DEBRIS)
    with open_log(base, clock=clock) as log:
        clock.sleep(0.5)
        whole_run(log)
        log.checkpoint()
    return log.path
