"""The key registry: who may sign what, version after version, each signed by the people it and its forerunner name.

Version 1 stands in the log's first entry and knows the station's key alone; it may sign version 2, and nothing after.
From version 2 on the keys of quality sign: as many people as the threshold says, by the rules of the version before
and by those of the new one. A version is bound to its log and to the line that carried the version before, so none
can be played back. A revocation holds from an index of the log on, so it means the same in twenty years.
"""

from __future__ import annotations

import re
from base64 import b64decode, b64encode
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from eolseq.errors import NotGenuine, RecordFault, WrongUse
from eolseq.records.documents import KEYS_TYPE, Document, key_payload, refuse_unless
from eolseq.records.keys import STATION_ROLES, PublicKey, RegisteredKey, read_registry
from eolseq.records.runs import Carried

ENGINEER, MAINTENANCE, QUALITY = "engineer", "maintenance", "quality"
PEOPLE = (ENGINEER, MAINTENANCE, QUALITY)

_HOLDER = re.compile(r"[a-z0-9][a-z0-9.-]{0,39}")
_SCOPE = re.compile(r"[a-z0-9][a-z0-9./-]{0,119}")
_ENTRY = ("keyid", "algorithm", "public", "role", "holder", "scope")
_FIELDS: dict[str, type | tuple[type, ...]] = {
    "v": int, "origin": str, "version": int, "threshold": int, "previous": str, "keys": list, "revoked": list,
    "reason": str}
_EVER = 1 << 62  # after every index of a log
_QUALITY = "Ask quality; nothing was written."


@dataclass(frozen=True, slots=True)
class Revoked:
    """A key that holds no more: from which index of the log on, and why."""

    key: RegisteredKey
    since: int
    reason: str


@dataclass(frozen=True, slots=True)
class Registry:
    """One version: the good keys and the revoked ones by short name; ``leaf`` is the hash of the line that has it."""

    origin: str
    version: int
    threshold: int
    leaf: bytes
    keys: Mapping[str, RegisteredKey]
    revoked: Mapping[str, Revoked]
    reason: str = ""

    @property
    def signers(self) -> dict[str, RegisteredKey]:
        """The keys that may sign the next version: quality's; in version 1 the station's own."""
        quality = {name: key for name, key in self.keys.items() if key.role == QUALITY}
        return quality or {name: key for name, key in self.keys.items() if key.role in STATION_ROLES}

    def good_at(self, keyid: str, index: int) -> bool:
        """Whether this version trusts what a key signed in the entry of an index."""
        revoked = self.revoked.get(keyid)
        return keyid in self.keys if revoked is None else index < revoked.since


def first_registry_of(genesis: Carried) -> Registry:
    """Version 1, from the log's first entry."""
    keys = read_registry(genesis.payload.get("registry"))
    return Registry(str(genesis.payload.get("origin")), 1, 1, genesis.leaf, keys, {})


def check_names(holder: str, scope: str) -> None:
    """WrongUse when a holder's pseudonym or a scope is not written as a registry wants them."""
    if not _HOLDER.fullmatch(holder):
        raise WrongUse(f"'{holder}' cannot name a person.", "Use a pseudonym of small letters, digits, dot and dash; "
                       "a log cannot forget a name.")
    if not _SCOPE.fullmatch(scope):
        raise WrongUse(f"'{scope}' is no scope.", "Use an origin as in the station file, or its beginning.")


def covers(scope: str, origin: str) -> bool:
    """Whether a scope reaches a log: it is the log's origin, or the beginning of it up to a slash."""
    return origin == scope or origin.startswith(scope + "/")


def next_registry(now: Registry, document: Document, index: int, leaf: bytes = b"") -> Registry:
    """The version after ``now`` that a document carried at an index makes; NotGenuine when it may not be."""
    refuse_unless(document, KEYS_TYPE, _FIELDS)
    payload = document.payload
    if payload["origin"] != now.origin:
        raise NotGenuine(f"The registry is of another log, {payload['origin'][:120]}.",
                         "Bring the one of this station.")
    if payload["version"] != now.version + 1 or payload["previous"] != now.leaf.hex():
        raise NotGenuine(f"The registry is version {payload['version']} made for another place in the log; version "
                         f"{now.version} holds here, so only a version {now.version + 1} made from it may follow.",
                         "Have it made again from this station's present registry.")
    keys = _read_keys(payload["keys"], now)
    revoked = _read_revoked(payload["revoked"], now, index)
    found = Registry(now.origin, now.version + 1, payload["threshold"], leaf, keys, revoked, payload["reason"])
    _refuse_losses(now, found)
    _refuse_threshold(found)
    _refuse_signatures(now, found, document)
    return found


def judge_signatures(document: Document, registry: Registry, index: int, roles: Iterable[str]) -> list[RegisteredKey]:
    """The keys that signed a document, every one of them known, unrevoked, in its role and scope; else NotGenuine."""
    allowed = tuple(roles)
    found = []
    for keyid in document.keyids:
        key = registry.keys.get(keyid)
        if keyid in registry.revoked:
            gone = registry.revoked[keyid]
            if index >= gone.since:
                raise NotGenuine(f"Key {keyid} of {gone.key.holder} was revoked from entry {gone.since} on "
                                 f"({gone.reason}).", "Have the document signed by someone whose key holds.")
            key = gone.key
        if key is None:
            raise NotGenuine(f"Key {keyid} is not in this station's registry.", "Have quality enrol it first.")
        if key.role not in allowed:
            raise NotGenuine(f"Key {keyid} of {key.holder} is {_a(key.role)}'s; this needs {' or '.join(allowed)}.",
                             "Have it signed by the right person.")
        if not covers(key.scope, registry.origin):
            raise NotGenuine(f"Key {keyid} of {key.holder} is for {key.scope} only.", "Have quality widen its scope.")
        if not document.signed_by(key.key):
            raise NotGenuine(f"The signature of {key.holder} ({keyid}) does not fit the document.",
                             "Do not trust it: it was changed after it was signed.")
        found.append(key)
    return found


def refuse_malformed(document: Document) -> None:
    """NotGenuine unless a document has the shape of a registry, whatever it says and whoever signed it."""
    refuse_unless(document, KEYS_TYPE, _FIELDS)
    for entry in document.payload["keys"]:
        _read_entry(entry, _ENTRY)
    for entry in document.payload["revoked"]:
        _read_entry(entry, (*_ENTRY, "from", "reason"))


# -- drafts of the next version ---------------------------------------------------------------------------------


def draft(now: Registry, *, reason: str, enrol: Iterable[Mapping[str, Any]] = (),
          revoke: Mapping[str, tuple[int | None, str]] | None = None, threshold: int | None = None) -> dict[str, Any]:
    """The payload of a next version, not signed yet.

    ``revoke`` gives, by short name, from which index on (None: from the entry that carries the version) and why.
    """
    leaving = revoke or {}
    for keyid in leaving:
        known = now.keys.get(keyid) or (now.revoked[keyid].key if keyid in now.revoked else None)
        if known is None:
            raise WrongUse(f"There is no key {keyid} in this station's registry.", "'eolseq keys show' lists them.")
        if known.role in STATION_ROLES:
            raise WrongUse("The station's own key cannot be revoked in its own log.",
                           "Move the records folder aside, give it to quality, and begin a new log with a new key.")
    keys = [_entry(key) for keyid, key in now.keys.items() if keyid not in leaving] + [dict(each) for each in enrol]
    gone = [{**_entry(each.key), "from": each.since, "reason": each.reason}
            for keyid, each in now.revoked.items() if keyid not in leaving]
    for keyid, (since, why) in leaving.items():
        key = now.keys[keyid] if keyid in now.keys else now.revoked[keyid].key
        gone.append({**_entry(key), "from": since, "reason": why})
    return {"v": 1, "origin": now.origin, "version": now.version + 1,
            "threshold": now.threshold if threshold is None else threshold, "previous": now.leaf.hex(),
            "keys": keys, "revoked": gone, "reason": reason}


def _entry(key: RegisteredKey) -> dict[str, Any]:
    return key_payload(key.key.public, key.role, key.holder, key.scope)


# -- reading strictly -------------------------------------------------------------------------------------------


def _read_keys(entries: list[Any], now: Registry) -> dict[str, RegisteredKey]:
    found: dict[str, RegisteredKey] = {}
    for entry in entries:
        keyid, key = _read_entry(entry, _ENTRY)
        if keyid in found:
            raise NotGenuine(f"Key {keyid} stands twice in the registry.", _QUALITY)
        if keyid in now.revoked:
            raise NotGenuine(f"Key {keyid} was revoked and cannot be enrolled again.", "Have a new key made.")
        if keyid not in now.keys and key.role not in PEOPLE:
            raise NotGenuine(f"A key in the role '{key.role}' cannot be enrolled.", "Roles are " + ", ".join(PEOPLE))
        if keyid not in now.keys and not covers(key.scope, now.origin):
            raise NotGenuine(f"Key {keyid} of {key.holder} is for {key.scope}, which is not this station.",
                             "Have it made with this station's scope.")
        found[keyid] = key
    return found


def _read_revoked(entries: list[Any], now: Registry, index: int) -> dict[str, Revoked]:
    found: dict[str, Revoked] = {}
    for entry in entries:
        keyid, key = _read_entry(entry, (*_ENTRY, "from", "reason"))
        since, reason = entry["from"], entry["reason"]
        since = index if since is None else since
        if type(since) is not int or not isinstance(reason, str) or keyid in found:
            raise NotGenuine(f"The revocation of key {keyid} is malformed.", _QUALITY)
        latest = now.revoked[keyid].since if keyid in now.revoked else index
        if not 1 <= since <= latest:
            raise NotGenuine(f"Key {keyid} cannot be revoked from entry {since}: that must be 1 to {latest}.", _QUALITY)
        found[keyid] = Revoked(key, since, reason)
    return found


def _read_entry(entry: Any, fields: tuple[str, ...]) -> tuple[str, RegisteredKey]:
    if not isinstance(entry, dict) or set(entry) != set(fields) or \
            not all(isinstance(entry[name], str) for name in _ENTRY):
        raise NotGenuine("A key of the registry has not the fields it should.", _QUALITY)
    try:
        public = b64decode(entry["public"], validate=True)
        key = PublicKey(public)
    except (ValueError, RecordFault) as error:
        raise NotGenuine(f"Key {entry['keyid'][:40]} of the registry is no good Ed25519 key: {error}",
                         "Have the key made anew.") from error
    if b64encode(public).decode() != entry["public"] or key.keyid != entry["keyid"] or entry["algorithm"] != "Ed25519":
        raise NotGenuine(f"Key {entry['keyid'][:40]} of the registry does not fit its short name or algorithm.",
                         _QUALITY)
    if entry["role"] in PEOPLE and not (_HOLDER.fullmatch(entry["holder"]) and _SCOPE.fullmatch(entry["scope"])):
        raise NotGenuine(f"Key {key.keyid} has no holder or scope as they are written here.", _QUALITY)
    return key.keyid, RegisteredKey(key, entry["role"], entry["holder"], entry["scope"])


# -- what a next version may not do -----------------------------------------------------------------------------


def _refuse_losses(now: Registry, new: Registry) -> None:
    """No key may vanish or change its role, and no revocation may be taken back."""
    for keyid, key in now.keys.items():
        kept = new.keys.get(keyid) or (new.revoked[keyid].key if keyid in new.revoked else None)
        if kept is None or (keyid in new.keys and keyid in new.revoked):
            raise NotGenuine(f"Key {keyid} is neither kept nor revoked by the new registry.", _QUALITY)
        if (kept.role, kept.holder, kept.scope) != (key.role, key.holder, key.scope):
            raise NotGenuine(f"Key {keyid} has another role, holder or scope in the new registry.",
                             "Revoke it and enrol another one.")
        if key.role in STATION_ROLES and keyid in new.revoked:
            raise NotGenuine("The station's own key cannot be revoked in its own log.", "Begin a new log.")
    for keyid, gone in now.revoked.items():
        if keyid not in new.revoked or _entry(new.revoked[keyid].key) != _entry(gone.key):
            raise NotGenuine(f"The revocation of key {keyid} is missing in the new registry.", _QUALITY)
    strangers = set(new.revoked) - set(now.keys) - set(now.revoked)
    if strangers:
        raise NotGenuine(f"Key {min(strangers)} is revoked but was never enrolled.", _QUALITY)


def _refuse_threshold(new: Registry) -> None:
    people = {key.holder for key in new.keys.values() if key.role == QUALITY}
    if not people:
        raise NotGenuine("The new registry has no key of quality, so nobody could ever change it.",
                         "Enrol a key of quality with it.")
    if not 1 <= new.threshold <= len(people):
        raise NotGenuine(f"The new registry wants {new.threshold} signatures of quality; {len(people)} people can.",
                         "Choose a threshold that these people can meet; one less leaves room for a lost key.")


def _refuse_signatures(now: Registry, new: Registry, document: Document) -> None:
    """Enough people of the version before and of the new one, and no signature of anybody else."""
    signers = {**new.signers, **now.signers}
    both = replace(now, keys={**new.keys, **now.keys})
    for keyid in document.keyids:
        key = both.keys.get(keyid)
        if key is not None and keyid not in signers:
            raise NotGenuine(f"Key {keyid} of {key.holder} is {_a(key.role)}'s; the registry is signed by quality.",
                             "Have it signed by the right person.")
    judge_signatures(document, both, _EVER, {key.role for key in signers.values()})
    for registry in (now, new):
        signed = {registry.signers[keyid].holder for keyid in document.keyids if keyid in registry.signers}
        if len(signed) < registry.threshold:
            raise NotGenuine(f"The registry carries {len(signed)} of the {registry.threshold} signatures that version "
                             f"{registry.version} asks for.",
                             "Have it signed by more people: eolseq keys sign, on the document.")


def _a(role: str) -> str:
    return f"{'an' if role[0] in 'aeiou' else 'a'} {role}"
