"""Check a signed test log with Python and the package 'cryptography' alone: python check_log.py log.jsonl [checkpoint]

It prints the short name of the station's key: compare it with one that you have from elsewhere, such as a label.
"""
import base64
import json
import re
import sys
from hashlib import sha256

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

BEGINS = re.compile(rb'\{"payloadType":')
sys.excepthook = lambda kind, error, _: print(f"NOT IN ORDER: {kind.__name__} {error}", file=sys.stderr)


def opened(line, key):  # a DSSE envelope; an exception when it is none, or not signed by the key
    envelope = json.loads(line)
    kind, body = envelope["payloadType"].encode(), base64.b64decode(envelope["payload"], validate=True)
    signed = b"DSSEv1 %d %s %d %s" % (len(kind), kind, len(body), body)
    key.verify(base64.b64decode(envelope["signatures"][0]["sig"], validate=True), signed)
    return json.loads(body)


def entry_at(data, at, key):  # the line there, or the one behind the debris of a crash that it commits
    for match in BEGINS.finditer(data, at):
        start = match.start()
        line, debris = data[start:data.find(b"\n", start)], data[at:start]
        try:
            entry = opened(line, key)
        except Exception:
            continue
        said = [entry.get(name) for name in ("kind", "offset", "length", "sha256")]
        if not debris or said == ["recovery", at, len(debris), sha256(debris).hexdigest()]:
            return line, entry, start + len(line) + 1
        break
    sys.exit(f"NOT IN ORDER at byte {at}: no line signed by this key")


def root_of(peaks):  # RFC 6962, from the hashes of the full subtrees, largest first
    root = peaks[-1][1] if peaks else sha256(b"").digest()
    for _, left in peaks[-2::-1]:
        root = sha256(b"\1" + left + root).digest()
    return root


data = open(sys.argv[1], "rb").read()
first = json.loads(base64.b64decode(json.loads(data[:data.find(b"\n")])["payload"]))
public = base64.b64decode(first["registry"]["keys"][0]["public"])
key, origin, peaks, size, at = Ed25519PublicKey.from_public_bytes(public), first["origin"], [], 0, 0
note = open(sys.argv[2], encoding="utf-8").read().split("\n") if len(sys.argv) > 2 else None
if note:
    key.verify(base64.b64decode(note[4].rpartition(" ")[2])[4:], "\n".join([*note[:3], ""]).encode())
while at < len(data):
    line, entry, at = entry_at(data, at, key)
    if (entry["origin"], entry["index"], entry["root"]) != (origin, size, root_of(peaks).hex()):
        sys.exit(f"NOT IN ORDER: entry {size} is not in its place")
    peaks, size = [*peaks, (1, sha256(b"\0" + line).digest())], size + 1
    while len(peaks) > 1 and peaks[-1][0] == peaks[-2][0]:
        peaks[-2:] = [(2 * peaks[-1][0], sha256(b"\1" + peaks[-2][1] + peaks[-1][1]).digest())]
    if note and size == int(note[1]) and (origin, root_of(peaks)) != (note[0], base64.b64decode(note[2])):
        sys.exit("NOT IN ORDER: the log is not the one its checkpoint was made of")
if not origin.endswith("/" + sha256(public).hexdigest()[:16]) or (note and size < int(note[1])):
    sys.exit("NOT IN ORDER: the key does not fit the origin, or the log's end is missing")
print(f"IN ORDER: {size} entries of {origin}, root {root_of(peaks).hex()}")
