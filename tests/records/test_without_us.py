"""A log and a bundle are checked without this program: by the stand-alone scripts, openssl with jq, securesystemslib."""

from __future__ import annotations

import base64
import json
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

from eolseq.errors import WrongUse
from eolseq.records import entries
from eolseq.records.bundle import bundle_files, inclusion_proofs, write_bundle
from eolseq.records.merkle import CompactRange, inclusion_proof, leaf_hash, verify_inclusion
from eolseq.records.reader import Records
from tests.records.people import Plant, approval_document, carry, registry_document
from tests.records.samples import begin, every_kind, open_log, whole_run

ROOT = Path(__file__).resolve().parents[2]
SCRIPTS = ROOT / "eolseq" / "records" / "standalone"
MANUAL = ROOT / "eolseq" / "manual" / "auditing.md"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A log with every kind of entry, with people's documents in it, and two attempts on one unit."""
    plant = Plant(tmp_path)
    with plant.log as log:
        carry(log, approval_document(plant.standing, "e-1"))
        every_kind(log)
        carry(log, registry_document(plant.standing, "q-1", "q-2", revoke={"e-2": None}))
        log.checkpoint()
    return tmp_path / "records"


def script(name: str, *words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    """A stand-alone script by itself: copied to a folder without this program, which is kept off the path as well."""
    own = cwd / "alone"
    own.mkdir(exist_ok=True)
    shutil.copy(SCRIPTS / name, own / name)
    return subprocess.run([sys.executable, "-I", str(own / name), *words], cwd=cwd, capture_output=True, text=True, timeout=60)


def test_the_scripts_use_cryptography_alone_and_are_not_of_the_program() -> None:
    for path in SCRIPTS.glob("*.py"):
        text = path.read_text("utf-8")
        assert "eolseq" not in re.sub(r"vnd\.eolseq", "", text)
        used = set(re.findall(r"^(?:from|import) (\w+)", text, re.M))
        assert used - set(sys.stdlib_module_names) == {"cryptography"}
        assert len([line for line in text.splitlines() if line.strip()]) <= 60
    assert "standalone" not in "".join(
        line for path in (ROOT / "eolseq").rglob("*.py") for line in path.read_text("utf-8").splitlines()
        if re.match(r"\s*(from|import) ", line))


def test_the_script_finds_a_log_in_order(folder: Path, tmp_path: Path) -> None:
    done = script("check_log.py", str(folder / "log.jsonl"), str(folder / "checkpoint"), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    found = Records.open(folder)
    assert done.stdout.startswith(f"IN ORDER: {found.size} entries of {found.origin}, root ")


def test_the_script_refuses_every_damaged_line_and_a_missing_end(folder: Path, tmp_path: Path) -> None:
    """One bit in each line, each line removed, doubled, and swapped with the next; the end missing; another checkpoint."""
    good = (folder / "log.jsonl").read_bytes().splitlines(keepends=True)
    bad: list[list[bytes]] = []
    for i, line in enumerate(good[1:6], 1):
        at = len(line) // 2
        bad += [[*good[:i], line[:at] + bytes([line[at] ^ 1]) + line[at + 1:], *good[i + 1:]],
                [*good[:i], *good[i + 1:]], [*good[:i], line, *good[i:]], [*good[:i], good[i + 1], line, *good[i + 2:]]]
    bad += [good[:-1], good[1:], [*good, b"x"], []]
    path = tmp_path / "bad.jsonl"
    for lines in bad:
        path.write_bytes(b"".join(lines))
        done = script("check_log.py", str(path), str(folder / "checkpoint"), cwd=tmp_path)
        assert done.returncode == 1 and "NOT IN ORDER" in done.stderr, lines
    assert len(bad) == 24
    other = (folder / "checkpoint").read_bytes().replace(b"aldervale", b"aldervali")
    (tmp_path / "other").write_bytes(other)
    done = script("check_log.py", str(folder / "log.jsonl"), str(tmp_path / "other"), cwd=tmp_path)
    assert done.returncode == 1 and "NOT IN ORDER" in done.stderr


def test_the_script_steps_over_a_scar_that_is_committed(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
    path = tmp_path / "records" / "log.jsonl"
    with path.open("ab") as stream:
        stream.write(path.read_bytes().splitlines()[-1][:700] + b"\n\0\0half")
    with open_log(tmp_path) as log:  # recovers: the debris stays, and the next entry commits it
        whole_run(log)
        log.checkpoint()
    done = script("check_log.py", str(path), str(path.with_name("checkpoint")), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert b"half" in path.read_bytes()
    path.write_bytes(path.read_bytes().replace(b"half", b"hulf"))
    assert script("check_log.py", str(path), cwd=tmp_path).returncode == 1


def test_any_single_line_kept_elsewhere_convicts_a_rewritten_log(tmp_path: Path) -> None:
    """Rewritten from each entry on in turn, with the station's own key: every line after it, kept by anyone, differs."""
    def written(base: Path, from_entry: int | None) -> list[bytes]:
        with open_log(base) as log:
            for n in range(12):
                log.append(entries.Remark(serial=None, reason="another story" if log.size == from_entry else f"remark {n}"))
            return log.path.read_bytes().splitlines()

    honest, cases = written(tmp_path / "honest", None), 0
    for start in range(1, len(honest)):
        forged = written(tmp_path / f"forged{start}", start)
        tree = CompactRange()
        for index, line in enumerate(forged):
            kept = json.loads(base64.b64decode(json.loads(honest[index])["payload"]))
            assert kept["index"] == index
            assert (kept["root"] == tree.root().hex()) is (index <= start)  # a line is a checkpoint of all before it
            tree.append(leaf_hash(line))
            cases += index > start
    assert cases == 11 * 12 // 2


# -- the bundle -------------------------------------------------------------------------------------------------


def test_a_bundle_is_checked_by_its_own_script(folder: Path, tmp_path: Path) -> None:
    path = tmp_path / "unit.zip"
    indices = write_bundle(Records.open(folder), "DH6-00000001", path)
    out = tmp_path / "out"
    with zipfile.ZipFile(path) as bundle:
        bundle.extractall(out)
    assert (out / "check_bundle.py").read_bytes() == (SCRIPTS / "check_bundle.py").read_bytes()
    done = script("check_bundle.py", str(out), cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert f"IN ORDER: {len(indices)} entries" in done.stdout
    assert re.findall(r"end DH6-00000001 (\w+)", done.stdout) == ["fail", "pass"]  # the failure is not left out
    kinds = [line.split()[2] for line in done.stdout.splitlines() if line.startswith("entry ")]
    assert kinds.count("keys") == 2 and kinds[0] == "genesis"
    assert "SIMULATED" in (out / "READ-ME.txt").read_text("utf-8")
    again = tmp_path / "again.zip"
    write_bundle(Records.open(folder), "DH6-00000001", again)
    assert again.read_bytes() == path.read_bytes()


def test_a_bundle_with_anything_changed_is_refused(folder: Path, tmp_path: Path) -> None:
    files, _ = bundle_files(Records.open(folder), "DH6-00000001")
    names = [name for name in files if name.endswith((".json", ".tlog-proof")) and name != "registry.json"]
    cases = 0
    for name in names:
        for at in (5, len(files[name]) // 2, len(files[name]) - 20) if name.startswith("entry-0.") else (len(files[name]) // 2,):
            out = tmp_path / f"case{cases}"
            out.mkdir()
            for each, content in files.items():
                changed = content[:at] + bytes([content[at] ^ 2]) + content[at + 1:] if each == name else content
                (out / each).write_bytes(changed)
            done = script("check_bundle.py", str(out), cwd=tmp_path)
            first = name.endswith(".tlog-proof") and at == 5  # the proof's own heading says nothing
            assert done.returncode == (0 if first else 1), (name, at, done.stdout)
            cases += 1
    assert cases == len(names) + 4 >= 18


def test_proofs_of_many_leaves_are_those_of_rfc_6962() -> None:
    """Held to the one-at-a-time proofs, which are held to published vectors in test_merkle.py."""
    cases = 0
    for size in (1, 2, 3, 7, 8, 9, 31, 64, 100):
        leaves = [leaf_hash(b"%d" % i) for i in range(size)]
        for index, proof in inclusion_proofs(leaves, range(size)).items():
            assert proof == inclusion_proof(leaves, index)
            cases += 1
    assert cases == 225


def test_a_proof_is_written_as_c2sp_wants_it(folder: Path) -> None:
    records = Records.open(folder)
    files, indices = bundle_files(records, "DH6-00000001")
    for index in indices:
        head, blank, note = files[f"entry-{index}.tlog-proof"].partition(b"\n\n")
        lines = head.decode().split("\n")
        assert blank and note == files["checkpoint"] and lines[:2] == ["c2sp.org/tlog-proof@v1", f"index {index}"]
        path = [base64.b64decode(each, validate=True) for each in lines[2:]]
        size, root = int(note.split(b"\n")[1]), base64.b64decode(note.split(b"\n")[2])
        assert verify_inclusion(leaf_hash(files[f"entry-{index}.json"]), index, size, path, root)


def test_no_bundle_where_there_is_nothing_to_prove(tmp_path: Path) -> None:
    with open_log(tmp_path) as log:
        whole_run(log)
        log.checkpoint()
        run = log.append(begin(log, "DH6-00000002"))
        log.append(entries.Abandon(run=run, serial="DH6-00000002", reason="x", energised="no"))
    records = Records.open(tmp_path / "records")
    with pytest.raises(WrongUse, match="holds no run"):
        bundle_files(records, "DH6-00000009")
    with pytest.raises(WrongUse, match="behind the checkpoint"):
        bundle_files(records, "DH6-00000002")
    (tmp_path / "there.zip").write_bytes(b"")
    with pytest.raises(WrongUse, match="cannot be written"):
        write_bundle(records, "DH6-00000001", tmp_path / "there.zip")
    assert (tmp_path / "there.zip").read_bytes() == b""


def test_the_command_bundles_only_a_log_in_order(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from eolseq.__main__ import main

    path = tmp_path / "unit.zip"
    assert main(["audit", str(folder), "--bundle", "DH6-00000001", str(path)]) == 0
    assert f"wrote {path}" in capsys.readouterr().out and zipfile.is_zipfile(path)
    shutil.copy(folder / "log.jsonl", folder / "copy.jsonl")
    assert main(["audit", str(folder / "copy.jsonl"), "--bundle", "DH6-00000001", str(tmp_path / "x.zip")]) == 2
    lines = (folder / "log.jsonl").read_bytes().splitlines(keepends=True)
    (folder / "log.jsonl").write_bytes(b"".join(lines[:5] + lines[6:]))
    assert main(["audit", str(folder), "--bundle", "DH6-00000001", str(tmp_path / "x.zip")]) == 1
    assert "No bundle was written" in capsys.readouterr().out and not (tmp_path / "x.zip").exists()


# -- other people's tools ---------------------------------------------------------------------------------------


def test_securesystemslib_verifies_every_line_and_every_document(folder: Path) -> None:
    """https://github.com/secure-systems-lab/securesystemslib, an independent implementation of DSSE."""
    from securesystemslib.dsse import Envelope
    from securesystemslib.signer import SSlibKey

    def keys_of(registry: dict[str, object]) -> list[SSlibKey]:
        found = registry["keys"]
        assert isinstance(found, list)
        return [SSlibKey(each["keyid"], "ed25519", "ed25519", {"public": base64.b64decode(each["public"]).hex()})
                for each in found]

    lines = (folder / "log.jsonl").read_bytes().splitlines()
    station = keys_of(json.loads(base64.b64decode(json.loads(lines[0])["payload"]))["registry"])
    people: list[SSlibKey] = list(station)
    documents = 0
    for line in lines:
        envelope = Envelope.from_dict(json.loads(line))
        assert len(envelope.verify(station, 1)) == 1
        entry = json.loads(envelope.payload)
        if entry["kind"] in ("keys", "approval"):
            carried = Envelope.from_dict(json.loads(entry["document"]))
            if entry["kind"] == "keys":
                people = [*people, *keys_of(json.loads(carried.payload))]
            assert len(carried.verify(people, 2 if entry["kind"] == "keys" else 1)) >= 1
            documents += 1
    assert documents == 3


@pytest.mark.skipif(not all(map(shutil.which, ("jq", "openssl", "bash"))), reason="needs jq and openssl")
def test_the_manuals_recipe_with_jq_and_openssl_works(folder: Path, tmp_path: Path) -> None:
    """The very lines of the manual, on a good log and on one in which a digit of a reading was changed."""
    recipe = re.search(r"```bash\n(.*?)```", MANUAL.read_text("utf-8"), re.S)
    assert recipe is not None
    work = tmp_path / "work"
    shutil.copytree(folder, work)
    done = subprocess.run(["bash", "-c", recipe[1]], cwd=work, capture_output=True, text=True, timeout=120)
    lines = (work / "log.jsonl").read_bytes().count(b"\n")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("Signature Verified Successfully") == lines
    log = work / "log.jsonl"
    text = log.read_bytes().splitlines()
    payload = base64.b64decode(json.loads(text[-2])["payload"])
    text[-2] = text[-2].replace(base64.b64encode(payload), base64.b64encode(payload.replace(b'"time":"2', b'"time":"3', 1)))
    log.write_bytes(b"\n".join(text) + b"\n")
    done = subprocess.run(["bash", "-c", recipe[1]], cwd=work, capture_output=True, text=True, timeout=120)
    assert done.returncode != 0 and done.stdout.count("Signature Verified Successfully") == lines - 2
