"""The log: begun, written, opened again, and refused at every doubt."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import stat
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

from eolseq.clock import VirtualClock
from eolseq.errors import RecordFault, Refused, WrongUse
from eolseq.records import entries
from eolseq.records.audit import audit
from eolseq.records.checkpoint import Checkpoint, sign_checkpoint
from eolseq.records.keys import SigningKey
from eolseq.records.reader import Records
from tests.records.samples import (
    KEY,
    ORIGIN,
    ORIGIN_NAME,
    ROLE,
    FixedSystem,
    begin,
    end,
    energise,
    golden_log,
    measured,
    open_log,
    reading,
    whole_run,
    write_key,
)

GOLDEN = Path(__file__).parent / "golden"


def payloads(log_file: Path) -> list[dict[str, object]]:
    return [json.loads(base64.b64decode(json.loads(line)["payload"])) for line in log_file.read_bytes().splitlines()]


def test_a_log_begins_with_the_registry_and_a_private_key(tmp_path: Path) -> None:
    from eolseq.records.log import Log

    key_path = tmp_path / "a" / "keys" / "station.pem"
    with Log.open(tmp_path / "records", origin_name=ORIGIN_NAME, key_path=key_path, role=ROLE, clock=VirtualClock()) as log:
        assert log.size == 1
    assert stat.S_IMODE(key_path.stat().st_mode) == 0o600
    assert os.listdir(key_path.parent) == ["station.pem"]
    assert sorted(os.listdir(tmp_path / "records")) == ["checkpoint", "log.jsonl"]
    first = payloads(log.path)[0]
    registered = first["registry"]["keys"][0]  # type: ignore[index]
    assert registered["role"] == ROLE
    assert log.origin == first["origin"] == f"{ORIGIN_NAME}/{registered['keyid']}"
    assert hashlib.sha256(base64.b64decode(registered["public"])).hexdigest()[:16] == registered["keyid"]


def test_the_golden_log_is_rebuilt_byte_for_byte(tmp_path: Path) -> None:
    path = golden_log(tmp_path)
    assert path.read_bytes() == (GOLDEN / "log.jsonl").read_bytes()
    assert path.with_name("checkpoint").read_bytes() == (GOLDEN / "checkpoint").read_bytes()


def test_the_golden_log_holds_without_any_of_our_code() -> None:
    """DSSE and RFC 6962, written here again from their texts, and the cryptography library; one scar is stepped over."""
    data = (GOLDEN / "log.jsonl").read_bytes()
    lines = data.split(b"\n")[:-1]
    scarred = next(number for number, line in enumerate(lines) if b"\0" in line)
    before, scar = sum(len(line) + 1 for line in lines[:scarred]), lines.pop(scarred) + b"\n"
    recovery = json.loads(base64.b64decode(json.loads(lines[scarred])["payload"]))
    assert (recovery["kind"], recovery["offset"], recovery["length"]) == ("recovery", before, len(scar))
    assert recovery["sha256"] == hashlib.sha256(data[before:before + len(scar)]).hexdigest()
    first = json.loads(base64.b64decode(json.loads(lines[0])["payload"]))
    public = Ed25519PublicKey.from_public_bytes(base64.b64decode(first["registry"]["keys"][0]["public"]))
    leaves = [hashlib.sha256(b"\x00" + line).digest() for line in lines]
    for index, line in enumerate(lines):
        envelope = json.loads(line)
        payload, kind = base64.b64decode(envelope["payload"]), envelope["payloadType"].encode()
        message = b"DSSEv1 %d %b %d %b" % (len(kind), kind, len(payload), payload)
        assert public.verify(base64.b64decode(envelope["signatures"][0]["sig"]), message) is None
        entry = json.loads(payload)
        assert (entry["index"], entry["root"]) == (index, tree_hash(leaves[:index]).hex())
    note = (GOLDEN / "checkpoint").read_text().split("\n")
    assert note[:3] == [first["origin"], str(len(lines)), base64.b64encode(tree_hash(leaves)).decode()]
    text = "\n".join(note[:3]) + "\n"
    assert public.verify(base64.b64decode(note[4].split(" ")[2])[4:], text.encode()) is None
    assert len(lines) == 23


def tree_hash(leaves: list[bytes]) -> bytes:
    if len(leaves) < 2:
        return leaves[0] if leaves else hashlib.sha256().digest()
    split = 1 << (len(leaves) - 1).bit_length() - 1
    return hashlib.sha256(b"\x01" + tree_hash(leaves[:split]) + tree_hash(leaves[split:])).digest()


def test_fields_stand_in_the_promised_order(tmp_path: Path) -> None:
    clock = VirtualClock()
    with open_log(tmp_path, clock=clock) as log:
        clock.sleep(2.5)
        whole_run(log)
    first, begun, energised, read, ended = payloads(log.path)
    for payload in (first, begun, energised, read, ended):
        assert list(payload)[:8] == ["v", "origin", "index", "root", "time", "boot", "mono", "kind"]
    assert begun["time"] == "2026-01-05T06:00:02.500000Z" and begun["mono"] == "2.500000"
    assert list(begun)[8:] == ["serial", "attempt", "mode", "trial", "bay", "earlier_count", "earlier",
                               "withstand_applications", "sequence", "station", "station_digest", "pages", "instruments",
                               "operator", "cautions", "approval", "software", "earlier_checks", "models"]
    assert energised["settings"] == {"voltage": "1776 V", "hold": "1 s"}
    assert (read["value"], read["raw"], read["uncertainty"]) == ("0.000420", "+4.20E-4", None)
    assert read["applied"] == [{"name": "voltage", "lowest": "1775", "highest": "1777", "unit": "V", "at_least": "1758",
                                "at_most": "1794", "samples": 11}]
    assert ended["steps"][0]["readings"][0]["basis"] == "common practice, no source"  # type: ignore[index]


def test_attempts_open_runs_and_lock_are_the_same_after_opening_again(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    failed = whole_run(log, outcome="fail")
    passed = whole_run(log)
    odd = 'a "quoted" \\ serial ' + "é" * 300  # longer than the part of a line that is decoded at a glance
    whole_run(log, odd, outcome="stopped")
    dropped = log.append(begin(log, "DH6-00000002"))
    log.append(energise(dropped))
    waiting = log.append(begin(log, odd))
    locked = log.append(entries.Lock(reason="Dead was not proved.", do="Measure first."))

    def told(log: object) -> tuple[object, ...]:
        return (log.attempts("DH6-00000001"), log.attempts(odd), log.open_runs(), log.locked(), log.root(), log.size)  # type: ignore[attr-defined]

    before = told(log)
    assert [(each.index, each.outcome) for each in log.attempts("DH6-00000001")] == [(failed, "fail"), (passed, "pass")]
    lines = log.path.read_bytes().split(b"\n")
    assert log.attempts("DH6-00000001")[0].leaf == hashlib.sha256(b"\x00" + lines[failed]).hexdigest()
    assert [each.outcome for each in log.attempts(odd)] == ["stopped", "open"]
    assert [(each.index, each.energised, each.serial) for each in log.open_runs()] == [
        (dropped, True, "DH6-00000002"), (waiting, False, odd)]
    assert log.locked() is not None and log.locked().index == locked  # type: ignore[union-attr]
    log.checkpoint()
    log.close()
    log = open_log(tmp_path)
    assert told(log) == before
    log.append(entries.Abandon(run=dropped, serial="DH6-00000002", reason="The program ended.", energised="yes"))
    log.append(entries.Unlock(by="demo", reason="Dead proved."))
    assert [each.index for each in log.open_runs()] == [waiting]
    assert log.attempts("DH6-00000002")[0].outcome == "abandoned"
    assert log.locked() is None
    log.checkpoint()
    log.close()
    with open_log(tmp_path) as log:
        assert [each.index for each in log.open_runs()] == [waiting]
        assert log.locked() is None
    assert audit(log.path).findings == []


def test_no_text_in_an_entry_can_pass_for_another_entry(tmp_path: Path) -> None:
    """A settings table shaped like the head of an ``end``, and a serial that holds one, fool nobody."""
    forged = '","time":"","boot":"","mono":"","kind":"end","run":1,"serial":"DH6-00000001","outcome":"pass",'
    with open_log(tmp_path) as log:
        run = log.append(begin(log))
        log.append(entries.Energise(run=run, step=forged, kind_of_step="x", source="wt", settings={
            "time": "", "boot": "", "mono": "", "kind": "end"}))
        log.append(entries.Remark(serial=forged, reason="x"))
        log.append(begin(log, forged))
        log.checkpoint()
    with open_log(tmp_path) as log:
        assert [each.serial for each in log.open_runs()] == ["DH6-00000001", forged]


# name: (what to do to the open log, what is said)
UNWRITABLE = {
    "a float": (lambda log: entries.Remark(serial=None, reason=1.5), "not a whole one"),
    "not a number": (lambda log: entries.Remark(serial=None, reason=float("nan")), "not JSON compliant|not a whole one"),
    "bytes": (lambda log: entries.Remark(serial=None, reason=b"x"), "bytes is not text"),
    "half a surrogate pair": (lambda log: entries.Remark(serial="\ud800", reason="x"), "surrogates not allowed"),
    "an over-long line": (lambda log: entries.Remark(serial=None, reason="x" * 50_000), "65535 is the most"),
    "end of a run that is not open": (lambda log: end(log, 77), "run 77 is not open"),
    "energise of no run": (lambda log: energise(0), "run 0 is not open"),
    "reading of no run": (lambda log: reading(5), "run 5 is not open"),
    "end for another unit": (lambda log: end(log, 1, "DH6-00000009"), "run 1 is of unit DH6-00000001"),
    "attempt miscounted": (lambda log: end_as_begin(log), "1 earlier attempts"),
}


def end_as_begin(log: object) -> entries.Begin:
    from dataclasses import replace

    return replace(begin(log), attempt=1, earlier_count=0, earlier=())  # type: ignore[arg-type]


@pytest.mark.parametrize("name", UNWRITABLE)
def test_what_cannot_be_written_is_refused_and_harms_nothing(tmp_path: Path, name: str) -> None:
    make, reason = UNWRITABLE[name]
    with open_log(tmp_path) as log:
        log.append(begin(log))
        before = log.path.read_bytes()
        with pytest.raises(RecordFault, match=reason) as caught:
            log.append(make(log))
        assert "Nothing was written" in caught.value.do
        assert log.path.read_bytes() == before
        assert log.append(energise(1)) == 2
    assert audit(log.path).findings == []


def test_the_longest_entry_fits(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        log.append(entries.Remark(serial=None, reason="x" * 48_400))
    assert 64_000 < max(map(len, log.path.read_bytes().splitlines())) <= 65_535
    assert audit(log.path).findings == []


def opened_with(tmp_path: Path, change: str) -> None:
    """Open the log after something about it or its key was changed."""
    folder, key = tmp_path / "records", tmp_path / "keys" / "station.pem"
    options: dict[str, object] = {"origin_name": ORIGIN_NAME, "key_path": key, "role": ROLE}
    if change.startswith("mode "):
        os.chmod(key, int(change[5:], 8))
    elif change == "owner":
        options["os"] = OtherUser()
    elif change == "key missing":
        key.unlink()
    elif change == "another key":
        write_key(key, SigningKey.from_seed(bytes(32)))
    elif change == "no key in the file":
        key.write_text("hello")
    elif change == "key is a link":
        key.rename(key.with_name("real.pem"))
        key.symlink_to("real.pem")
    elif change == "another origin":
        options["origin_name"] = "aldervale.example/bench-2"
    elif change == "another role":
        options["role"] = "station"
    elif change == "origin with a space":
        options["origin_name"] = "bench 1"
    elif change == "key among the records":
        options["key_path"] = folder / "station.pem"
    elif change == "checkpoint missing":
        (folder / "checkpoint").unlink()
    elif change == "log missing":
        (folder / "log.jsonl").unlink()
    elif change == "log empty":
        (folder / "log.jsonl").write_bytes(b"")
    elif change == "log is a pipe":
        (folder / "log.jsonl").unlink()
        os.mkfifo(folder / "log.jsonl")
    elif change == "log is a folder":
        (folder / "log.jsonl").unlink()
        (folder / "log.jsonl").mkdir()
    elif change == "checkpoint is a folder":
        (folder / "checkpoint").unlink()
        (folder / "checkpoint").mkdir()
    elif change == "records folder is a file":
        for each in folder.iterdir():
            each.unlink()
        folder.rmdir()
        folder.write_bytes(b"")
    elif change == "checkpoint of another log":
        (folder / "checkpoint").write_bytes(sign_checkpoint(Checkpoint("aldervale.example/bench-2", 5, bytes(32)), KEY))
    elif change == "checkpoint by another key":
        (folder / "checkpoint").write_bytes(sign_checkpoint(Checkpoint(ORIGIN, 5, bytes(32)), SigningKey.from_seed(bytes(32))))
    elif change == "checkpoint of other lines":
        (folder / "checkpoint").write_bytes(sign_checkpoint(Checkpoint(ORIGIN, 5, bytes(32)), KEY))
    elif change == "checkpoint cut":
        (folder / "checkpoint").write_bytes((folder / "checkpoint").read_bytes()[:-1])
    elif change == "log cut in its last line":
        (folder / "log.jsonl").write_bytes((folder / "log.jsonl").read_bytes()[:-100])
    elif change == "foreign file":
        (folder / "log.jsonl").write_text("date,serial,result\n")
    elif change == "last line missing":
        lines = (folder / "log.jsonl").read_bytes().splitlines(keepends=True)
        (folder / "log.jsonl").write_bytes(b"".join(lines[:-1]))
    elif change == "last line twice":
        lines = (folder / "log.jsonl").read_bytes().splitlines(keepends=True)
        (folder / "log.jsonl").write_bytes(b"".join([*lines, lines[-1]]))
    elif change == "line of another log":
        other = folder.parent / "other"
        with open_log(other, origin_name="aldervale.example/bench-2") as log:
            whole_run(log)
        with (folder / "log.jsonl").open("ab") as stream:
            stream.write(log.path.read_bytes().splitlines(keepends=True)[-1])
    elif change == "newline of the last line lost to noise":
        data = (folder / "log.jsonl").read_bytes()
        (folder / "log.jsonl").write_bytes(data[:-1] + b"\x0b")
    elif change.startswith("on "):
        options["os"] = Mounted(change[3:])
    from eolseq.records.log import Log

    Log.open(folder, clock=VirtualClock(), **options).close()  # type: ignore[arg-type]


class OtherUser(FixedSystem):
    def user(self) -> int:
        return 4711

    def fstat(self, descriptor: int) -> os.stat_result:
        found = list(super().fstat(descriptor))
        found[4] = 1234  # st_uid
        return os.stat_result(found)


class Mounted(FixedSystem):
    """A records folder on some kind of file system."""

    def __init__(self, kind: str) -> None:
        self.kind = kind

    def file_system(self, path: Path) -> str:
        return self.kind


NOT_OPENED: dict[str, tuple[type[Exception], int, str]] = {
    "mode 0640": (Refused, 3, "read by others"), "mode 0604": (Refused, 3, "read by others"),
    "mode 0660": (Refused, 3, "read by others"), "mode 0601": (Refused, 3, "read by others"),
    "owner": (Refused, 3, "belongs to another user"),
    "key missing": (Refused, 3, "is missing, but its log exists"),
    "another key": (Refused, 3, "is signed by key"),
    "no key in the file": (Refused, 3, "no unencrypted PEM private key"),
    "key is a link": (Refused, 3, "cannot be read"),
    "another origin": (Refused, 3, "not of aldervale.example/bench-2"),
    "another role": (Refused, 3, "is a simulated station's"),
    "origin with a space": (WrongUse, 2, "cannot name a log"),
    "key among the records": (WrongUse, 2, "lies in the records folder"),
    "checkpoint missing": (RecordFault, 5, "checkpoint .* is missing"),
    "log missing": (RecordFault, 5, "is missing, but its checkpoint"),
    "log empty": (RecordFault, 5, "no first entry"),
    "foreign file": (RecordFault, 5, "not a log"),
    "last line missing": (RecordFault, 5, "its end is missing"),
    "last line twice": (RecordFault, 5, "damaged at line 6"),
    "line of another log": (RecordFault, 5, "damaged at line 6"),
    "newline of the last line lost to noise": (RecordFault, 5, "damaged at line 5"),
    "log is a pipe": (RecordFault, 5, "not a plain file"),
    "log is a folder": (RecordFault, 5, "not a plain file"),
    "checkpoint is a folder": (RecordFault, 5, "cannot be read"),
    "records folder is a file": (RecordFault, 5, "cannot be opened"),
    "checkpoint of another log": (RecordFault, 5, "checkpoint .* cannot be trusted"),
    "checkpoint by another key": (RecordFault, 5, "checkpoint .* cannot be trusted"),
    "checkpoint of other lines": (RecordFault, 5, "not the one its checkpoint was made of"),
    "checkpoint cut": (RecordFault, 5, "checkpoint .* cannot be trusted"),
    "log cut in its last line": (RecordFault, 5, "damaged at line 5"),
    "on nfs4": (Refused, 3, r"network file system \(nfs4\)"),
    "on cifs": (Refused, 3, r"network file system \(cifs\)"),
    "on fuse.sshfs": (Refused, 3, "network file system"),
}


@pytest.mark.parametrize("change", NOT_OPENED)
def test_a_log_in_doubt_is_not_opened_and_not_touched(tmp_path: Path, change: str) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
    kind, code, reason = NOT_OPENED[change]
    with pytest.raises(kind, match=reason) as caught:
        opened_with(tmp_path, change)
    assert type(caught.value) is kind and caught.value.exit_code == code  # type: ignore[attr-defined]
    assert caught.value.do  # type: ignore[attr-defined]
    assert len(NOT_OPENED) == 33


def test_a_changed_line_inside_is_damage_not_a_torn_end(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
        whole_run(log)
    data = log.path.read_bytes()
    lines = data.splitlines(keepends=True)
    lines[6] = lines[6].replace(b"A", b"B", 1)
    log.path.write_bytes(b"".join(lines))
    with pytest.raises(RecordFault, match="damaged at line 7"):
        open_log(tmp_path)
    assert log.path.read_bytes() == b"".join(lines)


def test_a_second_process_is_refused(tmp_path: Path) -> None:
    script = ("import sys; from pathlib import Path; from eolseq.records.log import Log; from eolseq.clock import SystemClock\n"
              "from eolseq.errors import Refused\n"
              "base = Path(sys.argv[1])\n"
              "try: Log.open(base / 'records', origin_name=sys.argv[2], key_path=base / 'keys' / 'station.pem',\n"
              "              role='simulated station', clock=SystemClock()).close()\n"
              "except Refused as error: sys.exit(f'{error.exit_code} {error}')\n")
    command = [sys.executable, "-c", script, str(tmp_path), ORIGIN_NAME]
    root = Path(__file__).parents[2]
    with open_log(tmp_path) as log:
        whole_run(log)
        second = subprocess.run(command, cwd=root, capture_output=True, text=True, check=False)
        assert second.returncode == 1 and second.stderr.startswith("3 ") and "in use by another process" in second.stderr
        whole_run(log)
        log.checkpoint()
    assert subprocess.run(command, cwd=root, capture_output=True, text=True, check=False).returncode == 0


def test_a_foreign_writer_stops_the_log(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        with log.path.open("ab") as stream:
            stream.write(b"mine\n")
        size = log.path.stat().st_size
        for _ in range(2):
            with pytest.raises(RecordFault, match="something else wrote to it"):
                log.append(begin(log))
        with pytest.raises(RecordFault, match="not written any more"):
            log.checkpoint()
        assert log.path.stat().st_size == size


def test_many_threads_write_one_whole_log(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        def work() -> None:
            for _ in range(50):
                log.append(entries.Remark(serial=None, reason="x"))

        threads = [threading.Thread(target=work) for _ in range(4)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert log.size == 201
        log.checkpoint()
    report = audit(log.path)
    assert (report.findings, report.verified) == ([], 201)


def test_a_closed_log_is_not_written(tmp_path: Path) -> None:
    log = open_log(tmp_path)
    log.close()
    log.close()
    with pytest.raises(RecordFault, match="closed"):
        log.append(entries.Close(reason="x"))


def test_a_clock_that_goes_back_is_seen_and_noted(tmp_path: Path) -> None:
    start = datetime(2026, 1, 5, 6, 0, tzinfo=UTC)
    with open_log(tmp_path, clock=VirtualClock(start)) as log:
        whole_run(log)
        assert log.seconds_behind() == 0.0
        assert log.last_time == "2026-01-05T06:00:00.000000Z"
        log.checkpoint()
    with open_log(tmp_path, clock=VirtualClock(start - timedelta(seconds=90))) as log:
        assert log.seconds_behind() == 90.0
        log.append(entries.Remark(serial=None, reason="x"))
        log.append(entries.Remark(serial=None, reason="y"))
        assert [entry["kind"] for entry in payloads(log.path)[5:]] == ["clock", "remark", "remark"]
        assert payloads(log.path)[5]["behind"] == "90.000" and log.seconds_behind() == 90.0
    report = audit(log.path)
    assert report.findings == []
    assert [(each.line, each.name, each.meaning) for each in report.notes] == [
        (6, "clock mark", "The clock lay 90.000 s behind.")]


def test_the_read_side_looks_on_while_a_station_writes(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        failed = whole_run(log, outcome="fail")
        log.append(begin(log))
        log.checkpoint()
        found = Records.open(tmp_path / "records")
        assert (found.size, found.origin, found.simulated, found.incomplete) == (6, ORIGIN, True, 0)
        assert [(run.serial, run.attempt, run.outcome, run.closed_by) for run in found.runs()] == [
            ("DH6-00000001", 1, "fail", failed), ("DH6-00000001", 2, "open", None)]
        assert found.runs("DH6-00000002") == []
        assert found.entry(failed).payload["outcome"] == "fail"
        assert found.entry(failed).leaf.hex() == found.runs()[0].leaf.hex()
        assert [each.payload["kind"] for each in found.entries()] == [
            "genesis", "begin", "energise", "reading", "end", "begin"]
        with pytest.raises(WrongUse, match="none of index 6"):
            found.entry(6)
        with log.path.open("ab") as stream:
            stream.write(b"half a li")
        assert Records.open(tmp_path / "records").incomplete == 9
    with pytest.raises(WrongUse, match="There is no log"):
        Records.open(tmp_path / "elsewhere")


def test_a_measured_value_stands_in_reading_and_end_alike() -> None:
    one = entries.reading(1, "withstand", "dielectric_withstand", measured(None))
    assert all(getattr(one, name) == getattr(measured(None), name) for name in entries.Measured.__dataclass_fields__)
    assert KEY.keyid in ORIGIN


class Syncing(FixedSystem):
    """Notes when the log's bytes were made sure, and when a checkpoint took its name; may fail to make them sure."""

    def __init__(self) -> None:
        self.did: list[str] = []
        self.fails = False

    def fdatasync(self, descriptor: int) -> None:
        self.did.append("sure")
        if self.fails:
            raise OSError(5, "Input/output error")

    def rename(self, old: Path, new: Path) -> None:
        super().rename(old, new)
        self.did.append("checkpoint")


def test_no_checkpoint_counts_a_line_that_the_disk_may_not_have(tmp_path: Path) -> None:
    system = Syncing()
    with open_log(tmp_path, system=system) as log:
        run = log.append(begin(log))
        system.did.clear()
        log.append(reading(run), durable=False)
        assert system.did == []
        log.checkpoint()
        log.checkpoint()
        assert system.did == ["sure", "checkpoint", "checkpoint"], "once is enough"
        log.append(reading(run), durable=False)
        log.append(reading(run))
        log.checkpoint()
        assert system.did[3:] == ["sure", "checkpoint"], "the second reading made the first one sure too"


def test_a_log_that_cannot_be_made_sure_has_no_new_checkpoint(tmp_path: Path) -> None:
    system = Syncing()
    with open_log(tmp_path, system=system) as log:
        run = log.append(begin(log))
        log.append(reading(run), durable=False)
        system.did.clear()
        system.fails = True
        with pytest.raises(RecordFault, match="could not be written: Input/output error"):
            log.checkpoint()
        assert system.did == ["sure"]
        with pytest.raises(RecordFault, match="not written any more"):
            log.append(reading(run))
