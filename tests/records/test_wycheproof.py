"""Every case of Project Wycheproof's Ed25519 file against our verifier and our rule for keys that may be enrolled."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

from eolseq.errors import RecordFault
from eolseq.records.keys import PublicKey

# Published (S): testvectors_v1/ed25519_test.json, Apache-2.0; where the copy comes from stands in its first line.
PUBLISHED = json.loads((Path(__file__).parent / "published/wycheproof_ed25519.json").read_text())


def enrolled(public: str) -> PublicKey | None:
    """The key, or None where it is not a canonical point of prime order."""
    try:
        return PublicKey(bytes.fromhex(public))
    except RecordFault:
        return None


def test_every_case_ends_as_published() -> None:
    """Valid signatures stand, invalid ones do not; what the file leaves to the verifier is refused with its key."""
    ended: Counter[tuple[str, str]] = Counter()
    for group in PUBLISHED["groups"]:
        key = enrolled(group["public"])
        for number, comment, message, signature, result in group["tests"]:
            stands = key is not None and key.verify(bytes.fromhex(signature), bytes.fromhex(message))
            assert stands is (result == "valid"), f"case {number}, {comment}"
            ended[result, "key refused" if key is None else "verified" if stands else "refused"] += 1
    assert ended == {("valid", "verified"): 117, ("invalid", "refused"): 63, ("acceptable", "key refused"): 29,
                     ("invalid", "key refused"): 1}
    assert sum(ended.values()) == PUBLISHED["cases"] == 210
