"""``eolseq keys``: make, show, enrol, replace and revoke the keys of the people who sign."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from eolseq.commands import signing
from eolseq.errors import WrongUse

if TYPE_CHECKING:
    from eolseq.records.approvals import Standing
    from eolseq.records.documents import Document
    from eolseq.records.registry import Registry

NAME = "keys"
HELP = """make, show, enrol, replace and revoke the keys of the people who sign

Engineers sign sequences, maintenance signs driver pages and station files, quality signs the registry of keys. A
passphrase is asked for or read from a file descriptor; it is never an argument."""

ROLES = ("engineer", "maintenance", "quality")


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare what is to be done with which keys."""
    what = parser.add_subparsers(dest="what", metavar="WHAT", required=True)
    make = what.add_parser("make", help="make a key pair: FILE, encrypted, and beside it FILE.pub for quality to enrol")
    make.add_argument("file", metavar="FILE", type=Path, help="the private key to be made; must not exist")
    make.add_argument("--role", choices=ROLES, required=True, help="what the key may sign")
    make.add_argument("--holder", metavar="ID", required=True, help="a pseudonym for the person, such as q-07")
    make.add_argument("--scope", metavar="ORIGIN", required=True,
                      help="for which stations: an origin, or its beginning, such as plant.example")
    signing.passphrase_argument(make)
    show = what.add_parser("show", help="show the registry of a station, or what a file holds")
    show.add_argument("file", metavar="FILE", type=Path, nargs="?", help="a public key or a document instead")
    signing.place_arguments(show)
    show.add_argument("--json", action="store_true", help="print one JSON document")
    _change_arguments(what)
    sign = what.add_parser("sign", help="add a signature to a registry document that needs more than one")
    sign.add_argument("document", metavar="DOCUMENT", type=Path, help="the document; read it first: eolseq keys show")
    sign.add_argument("--out", metavar="FILE", type=Path, required=True, help="write the signed document here")
    signing.signing_arguments(sign)


def _change_arguments(what: Any) -> None:
    enrol = what.add_parser("enrol", help="take public keys into the registry, or a document made elsewhere")
    enrol.add_argument("public", metavar="PUB", type=Path, nargs="*", help="public keys as 'keys make' writes them")
    enrol.add_argument("--threshold", metavar="N", type=int, help="how many people of quality must sign from now on")
    replace = what.add_parser("replace", help="revoke a key and enrol another in its place")
    replace.add_argument("keyid", metavar="KEY", nargs="?", help="short name of the key that goes")
    replace.add_argument("public", metavar="PUB", type=Path, nargs="*", help="the public key that comes")
    revoke = what.add_parser("revoke", help="take a key out of use, from an entry of the log on")
    revoke.add_argument("keyid", metavar="KEY", nargs="?", help="short name of the key")
    for each in (enrol, replace, revoke):
        each.add_argument("--reason", metavar="TEXT", help="why; stands in the record for ever")
        each.add_argument("--document", metavar="FILE", type=Path, help="carry this document, made on another computer")
        each.add_argument("--out", metavar="FILE", type=Path, help="write the document here and carry nothing")
        signing.place_arguments(each)
        signing.signing_arguments(each)
    for each in (replace, revoke):
        each.add_argument("--from", metavar="INDEX", type=int, dest="since",
                          help="the first entry the key is not trusted in (else: the one that says so)")


def run(options: argparse.Namespace) -> int:
    """Do what was asked; 0."""
    do = {"make": _make, "show": _show, "sign": _sign}.get(options.what, _change)
    do(options)
    return 0


def _make(options: argparse.Namespace) -> None:
    from eolseq.records.documents import KEY_TYPE, key_payload, make_document
    from eolseq.records.keys import make_person_key
    from eolseq.records.registry import check_names
    from eolseq.records.system import OperatingSystem

    public = options.file.with_name(options.file.name + ".pub")
    check_names(options.holder, options.scope)
    if public.exists():
        raise WrongUse(f"The file {public} exists already.", "Choose another name for the key.")
    key = make_person_key(options.file, signing.passphrase(options, options.file, new=True), OperatingSystem())
    payload = {"v": 1, **key_payload(key.public, options.role, options.holder, options.scope)}
    print(f"key {key.keyid}, {options.role}, of {options.holder}, for {options.scope}; private key in {options.file}")
    signing.write_out(public, make_document(KEY_TYPE, payload, key))
    print("Keep the private key and its passphrase to yourself. Give the .pub file to quality.")


# -- showing ----------------------------------------------------------------------------------------------------


def _show(options: argparse.Namespace) -> None:
    if options.file is not None:
        from eolseq.records.documents import read_document_file

        with signing.refusing():
            document = read_document_file(options.file)
        print(json.dumps({"payloadType": document.payload_type, "signed by keys": list(document.keyids),
                          "payload": document.payload}, indent=2))
        return
    standing = _standing(options)
    if options.json:
        print(json.dumps(_document(standing), indent=2))
        return
    for line in registry_words(standing.registry):
        print(signing.visible(line))


def _standing(options: argparse.Namespace) -> Standing:
    station = signing.station_of(options)
    return signing.standing_in(options.records if station is None else Path(station.records))


def registry_words(registry: Registry) -> list[str]:
    """A registry for people, a key a line."""
    said = [f"registry of {registry.origin}, version {registry.version}; the next version needs {registry.threshold} "
            f"of {len(registry.signers)} signatures"]
    said += [f"  {keyid}  {key.role:17}  {key.holder:20}  {key.scope}" for keyid, key in registry.keys.items()]
    said += [f"  {keyid}  {gone.key.role:17}  {gone.key.holder:20}  REVOKED from entry {gone.since} on: {gone.reason}"
             for keyid, gone in registry.revoked.items()]
    return said


def _document(standing: Standing) -> dict[str, Any]:
    registry = standing.registry

    def plain(keyid: str, key: Any) -> dict[str, Any]:
        return {"keyid": keyid, "role": key.role, "holder": key.holder, "scope": key.scope,
                "public": key.key.public.hex()}
    return {"origin": registry.origin, "version": registry.version, "threshold": registry.threshold,
            "keys": [plain(keyid, key) for keyid, key in registry.keys.items()],
            "revoked": [{**plain(keyid, gone.key), "from": gone.since, "reason": gone.reason}
                        for keyid, gone in registry.revoked.items()],
            "approvals": [{"index": each.index, "of": each.of, "name": each.name, "file": each.file,
                           "digest": each.digest, "number": each.number, "effective": each.effective.isoformat(),
                           "author": each.author, "signed": [key.holder for key in each.signers]}
                          for each in standing.approvals]}


# -- changing the registry --------------------------------------------------------------------------------------


def _change(options: argparse.Namespace) -> None:
    station = signing.station_of(options)
    if station is None:
        if options.out is None:
            raise WrongUse("A copy of the records cannot carry anything.", "Give --out, and take the document to the "
                           "station: eolseq keys enrol --document FILE --station S.")
        standing = signing.standing_in(options.records)
        with signing.refusing():
            signing.write_out(options.out, _new_document(options, standing).text)
        return
    from eolseq.records.approvals import Standing

    with signing.open_log(station) as log:
        standing = Standing(log.documents)
        with signing.refusing():
            document = _new_document(options, standing)
            if options.out is not None:
                signing.write_out(options.out, document.text)
            else:
                _carry(options, log, standing, _with_station(document, standing, Path(station.key)))


def _new_document(options: argparse.Namespace, standing: Standing) -> Document:
    """The document brought over, or one made now and signed by --key after it was shown."""
    from eolseq.records.documents import KEYS_TYPE, make_document, read_document, read_document_file

    if options.document is not None:
        return read_document_file(options.document)
    if options.key is None:
        raise WrongUse("Who signs? The registry is signed by quality.", "Give --key, or --document.")
    payload = _payload(options, standing.registry)
    for line in payload_words(payload):
        print(signing.visible(line))
    if options.out is not None:
        signing.confirm(options, "Sign this?")
    key = signing.person_key(options)
    if key is None:
        raise WrongUse("Who signs?", "Give --key.")
    return read_document(make_document(KEYS_TYPE, payload, key))


def _payload(options: argparse.Namespace, registry: Registry) -> dict[str, Any]:
    from eolseq.records.documents import read_document_file, read_key_document
    from eolseq.records.registry import draft

    paths = getattr(options, "public", [])
    entries = [read_key_document(read_document_file(path)) for path in paths]
    leaving: dict[str, tuple[int | None, str]] = {}
    if options.what != "enrol":
        if not options.keyid or (options.what == "replace" and len(entries) != 1):
            raise WrongUse(f"'keys {options.what}' needs the short name of a key"
                           + (" and one public key." if options.what == "replace" else "."),
                           "'eolseq keys show' lists the registry.")
        leaving[options.keyid] = (options.since, options.reason or "")
    elif not entries and options.threshold is None:
        raise WrongUse("There is nothing to enrol.", "Name the .pub files, or --threshold.")
    if not options.reason:
        raise WrongUse("A change of the registry needs a reason.", "Give --reason.")
    return draft(registry, enrol=entries, revoke=leaving, threshold=getattr(options, "threshold", None),
                 reason=options.reason)


def payload_words(payload: Mapping[str, Any]) -> list[str]:
    """A registry document for people, before it is signed or carried."""
    said = [f"registry version {payload['version']} of {payload['origin']}, threshold {payload['threshold']}, "
            f"because: {payload['reason']}"]
    said += [f"  {each['keyid']}  {each['role']:17}  {each['holder']:20}  {each['scope']}" for each in payload["keys"]]
    said += [f"  {each['keyid']}  {each['role']:17}  {each['holder']:20}  REVOKED from "
             f"{'this version' if each['from'] is None else 'entry ' + str(each['from'])} on: {each['reason']}"
             for each in payload["revoked"]]
    return said


def _with_station(document: Document, standing: Standing, key_path: Path) -> Document:
    """Version 2 is signed by the station too, the only key that version 1 knows."""
    from eolseq.records.documents import add_signature, read_document
    from eolseq.records.keys import load_key
    from eolseq.records.system import OperatingSystem

    key = load_key(key_path, OperatingSystem())
    if standing.registry.version != 1 or key.keyid in document.keyids:
        return document
    return read_document(add_signature(document.text, key))


def _carry(options: argparse.Namespace, log: Any, standing: Standing, document: Document) -> None:
    from eolseq.records.entries import Keys

    registry = standing.judge_registry(document, log.size)
    for line in registry_words(registry):
        print(signing.visible(line))
    print(signing.signed_words(document, standing))
    signing.confirm(options, "Write this registry into the station's log?")
    index = log.append(Keys(version=registry.version, document=document.text.decode()))
    log.checkpoint()
    print(f"registry version {registry.version} holds from entry {index} on")


def _sign(options: argparse.Namespace) -> None:
    from eolseq.records.documents import KEYS_TYPE, add_signature, read_document_file
    from eolseq.records.registry import refuse_malformed

    with signing.refusing():
        document = read_document_file(options.document)
        if document.payload_type != KEYS_TYPE:
            raise WrongUse(f"{options.document} is no registry document.", "Approvals are countersigned: eolseq "
                           "approve --document.")
        refuse_malformed(document)
    for line in payload_words(document.payload):
        print(signing.visible(line))
    signing.confirm(options, "Sign this?")
    key = signing.person_key(options)
    if key is None:
        raise WrongUse("Who signs?", "Give --key.")
    signing.write_out(options.out, add_signature(document.text, key))
