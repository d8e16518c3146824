"""Check the records of one unit, an unpacked bundle: python check_bundle.py [FOLDER]; needs only 'cryptography'.

It prints the short name of the station's key: compare it with one that you have from elsewhere, such as a label.
"""
import base64
import json
import sys
from hashlib import sha256
from pathlib import Path

from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

sys.excepthook = lambda kind, error, _: print(f"NOT IN ORDER: {kind.__name__} {error}", file=sys.stderr)


def opened(line, key):  # a DSSE envelope; an exception when it is none, or not signed by the key
    envelope = json.loads(line)
    kind, body = envelope["payloadType"].encode(), base64.b64decode(envelope["payload"], validate=True)
    signed = b"DSSEv1 %d %s %d %s" % (len(kind), kind, len(body), body)
    key.verify(base64.b64decode(envelope["signatures"][0]["sig"], validate=True), signed)
    return json.loads(body)


def proved_root(leaf, index, size, path):  # RFC 6962: from a leaf over its siblings to the root
    node, last, found = index, size - 1, leaf
    for sibling in path:
        if node & 1 or node == last:
            found = sha256(b"\1" + sibling + found).digest()
            while node and not node & 1:
                node, last = node >> 1, last >> 1
        else:
            found = sha256(b"\1" + found + sibling).digest()
        node, last = node >> 1, last >> 1
    return found if last == 0 else b""


folder = Path(sys.argv[1] if len(sys.argv) > 1 else ".")
first = json.loads(base64.b64decode(json.loads((folder / "entry-0.json").read_bytes())["payload"]))
public, origin = base64.b64decode(first["registry"]["keys"][0]["public"]), first["origin"]
key = Ed25519PublicKey.from_public_bytes(public)
files = sorted(folder.glob("entry-*.json"), key=lambda path: int(path.stem[6:]))
for path in files:
    line = path.read_bytes()
    entry = opened(line, key)
    proof, note = path.with_suffix(".tlog-proof").read_text("utf-8").split("\n\n", 1)
    _, index, *siblings = proof.split("\n")
    name, size, root, _, signature, *_ = note.split("\n")
    key.verify(base64.b64decode(signature.rpartition(" ")[2])[4:], f"{name}\n{size}\n{root}\n".encode())
    leaf, siblings = sha256(b"\0" + line).digest(), [base64.b64decode(each) for each in siblings]
    place = (name, index, proved_root(leaf, entry["index"], int(size), siblings))
    if entry["origin"] != origin or place != (origin, f"index {entry['index']}", base64.b64decode(root)):
        sys.exit(f"NOT IN ORDER: {path.name} is not proved to stand in the log")
    print(f"entry {entry['index']}: {entry['kind']} {entry.get('serial') or ''} {entry.get('outcome') or ''}".rstrip())
if not files or not origin.endswith("/" + sha256(public).hexdigest()[:16]):
    sys.exit("NOT IN ORDER: the key does not fit the origin")
print(f"IN ORDER: {len(files)} entries of {origin}, proved to stand in its log of {size} entries")
