"""One customer's bundle: the entries on one unit with their proofs, and all that is needed to check them without us.

A zip file: every attempt on the unit as the log has it, the first entry and the registry's versions, the approvals that
the runs name; beside each entry a C2SP tlog-proof that it stands in the log of the checkpoint; a script.
Source: https://github.com/C2SP/C2SP/blob/0065ea5b716154a2dd48508e3f905012a16ce5e9/tlog-proof.md
"""

from __future__ import annotations

import json
from base64 import b64encode
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from eolseq.errors import WrongUse
from eolseq.records.approvals import Standing
from eolseq.records.checkpoint import Checkpoint, open_checkpoint
from eolseq.records.merkle import leaf_hash, node_hash
from eolseq.records.note import NoteVerifier
from eolseq.records.reader import Records
from eolseq.records.runs import Run
from eolseq.records.scan import CHECKPOINT_NAME

SCRIPT = Path(__file__).resolve().parent / "standalone" / "check_bundle.py"
_EPOCH = (1980, 1, 1, 0, 0, 0)  # the same bundle twice is the same bytes


def write_bundle(records: Records, serial: str, path: Path) -> list[int]:
    """Write the bundle of a unit; the indices of its entries. WrongUse when there is no such unit or no place.

    The entries must lie below the log's checkpoint, which every ended run leaves behind.
    """
    import zipfile

    files, indices = bundle_files(records, serial)
    try:
        with path.open("xb") as stream, zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as bundle:
            for name, content in files.items():
                bundle.writestr(zipfile.ZipInfo(name, _EPOCH), content, zipfile.ZIP_DEFLATED)
    except OSError as error:
        raise WrongUse(f"The bundle {path} cannot be written: {error.strerror}.", "Choose another name.") from error
    return indices


def bundle_files(records: Records, serial: str) -> tuple[dict[str, bytes], list[int]]:
    """The bundle's files by name, and the indices of the entries in it."""
    runs = records.runs(serial)
    if not runs:
        raise WrongUse(f"The log {records.path} holds no run on unit {serial}.", "'eolseq records' lists all units.")
    note, checkpoint = _checkpoint(records)
    indices = _indices(records, runs)
    beyond = [index for index in indices if index >= checkpoint.size]
    if beyond:
        raise WrongUse(f"Entry {beyond[0]} on unit {serial} lies behind the checkpoint of {checkpoint.size} entries.",
                       "Let the run end, or start the station once, then try again.")
    leaves, wanted = [], {}
    for index, line in records.raw(0, checkpoint.size):
        leaves.append(leaf_hash(line))
        if index in indices:
            wanted[index] = line
    proofs = inclusion_proofs(leaves, indices)
    files = {"READ-ME.txt": _read_me(records, serial, runs).encode(), SCRIPT.name: SCRIPT.read_bytes(),
             "checkpoint": note, "registry.json": _registry(records)}
    for index in indices:
        files[f"entry-{index}.json"] = wanted[index]
        files[f"entry-{index}.tlog-proof"] = proof_text(index, proofs[index], note)
    return files, indices


def proof_text(index: int, path: Sequence[bytes], note: bytes) -> bytes:
    """A C2SP tlog-proof: the index, the sibling hashes from the leaf up, and the checkpoint."""
    lines = ["c2sp.org/tlog-proof@v1", f"index {index}", *(b64encode(each).decode() for each in path), ""]
    return "\n".join(lines).encode() + b"\n" + note


def inclusion_proofs(leaves: Sequence[bytes], indices: Iterable[int]) -> dict[int, list[bytes]]:
    """The inclusion proofs (RFC 6962 section 2.1.1) of several leaves of one tree, each inner node hashed once."""
    wanted = {index: (index, list[bytes]()) for index in indices}
    level = list(leaves)
    while len(level) > 1:
        for index, (at, path) in wanted.items():
            if at ^ 1 < len(level):
                path.append(level[at ^ 1])
            wanted[index] = (at >> 1, path)
        above = [node_hash(level[i], level[i + 1]) for i in range(0, len(level) - 1, 2)]
        level = above + level[len(level) & ~1:]
    return {index: path for index, (_, path) in wanted.items()}


def _checkpoint(records: Records) -> tuple[bytes, Checkpoint]:
    try:
        note = records.path.with_name(CHECKPOINT_NAME).read_bytes()
    except OSError as error:
        raise WrongUse(f"The checkpoint beside {records.path} cannot be read: {error.strerror}.",
                       "A bundle needs it: put it back from the last copy.") from error
    return note, open_checkpoint(note, NoteVerifier(records.origin, records.key))


def _indices(records: Records, runs: Sequence[Run]) -> list[int]:
    """The first entry, the registry's versions, and of every attempt its begin, its end and the approval it names."""
    found = {each.index for each in records.documents if each.kind in ("genesis", "keys")}
    for run in runs:
        found.add(run.index)
        found |= set() if run.closed_by is None else {run.closed_by}
        approval = records.entry(run.index).payload.get("approval")
        found |= {approval} if type(approval) is int else set()
    return sorted(found)


def _registry(records: Records) -> bytes:
    """The keys as they stand now, for people; the entries of kind keys are what proves them."""
    registry = Standing(records.documents).registry

    def plain(key: Any) -> Mapping[str, str]:
        return {"public": b64encode(key.key.public).decode(), "role": key.role, "holder": key.holder,
                "scope": key.scope}
    document = {"origin": registry.origin, "version": registry.version, "threshold": registry.threshold,
                "keys": {keyid: plain(key) for keyid, key in registry.keys.items()},
                "revoked": {keyid: {**plain(gone.key), "from": gone.since, "reason": gone.reason}
                            for keyid, gone in registry.revoked.items()},
                "checkpoint key": NoteVerifier(records.origin, records.key).text()}
    return json.dumps(document, indent=2, ensure_ascii=False).encode() + b"\n"


def _read_me(records: Records, serial: str, runs: Sequence[Run]) -> str:
    rows = [f"  attempt {run.attempt}: {run.outcome}{_marks(run)}, began {run.began}, entry "
            f"{run.index if run.closed_by is None else run.closed_by}" for run in runs]
    return "\n".join([
        f"Electrical safety test records of unit {serial}", "", f"log      {records.origin}",
        f"station  key {records.key.keyid}; compare it with one you have from elsewhere, such as the label", "",
        *rows, "",
        "Check it, with Python and the package 'cryptography' and none of the program that made it:", "",
        f"  python {SCRIPT.name}", "",
        "Each entry-N.json is one line of the station's log: a DSSE envelope whose payload is base64 of JSON.",
        "Each entry-N.tlog-proof shows that it stands in the log of the checkpoint (C2SP tlog-proof).", ""])


def _marks(run: Run) -> str:
    return (", SIMULATED" if run.mode == "simulated" else "") + (", TRIAL, releases nothing" if run.trial == "yes"
                                                                 else "")
