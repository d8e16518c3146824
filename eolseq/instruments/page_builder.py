"""Makes a Page of a driver page's checked keys, and finds what only the role can tell: gaps, ranges, fields.

The role's table is the measure: every setting that an action is given must be sent, every reading and flag must come
back, and what makes danger must be confirmed.
"""

from __future__ import annotations

import hashlib
from typing import Any

from eolseq.bands.band import ABOVE_RANGE, BELOW_RANGE, NO_ANSWER
from eolseq.instruments.line import Line
from eolseq.instruments.page_actions import Actions
from eolseq.instruments.page_model import DEFAULT_WITHIN, Page, Query
from eolseq.instruments.page_scenes import Scenes
from eolseq.instruments.page_values import Section, Values
from eolseq.instruments.replies import Flags, Meanings, Words, compile_frame
from eolseq.instruments.roles import ROLES
from eolseq.instruments.settings import compile_template
from eolseq.quantity import Quantity, nearest
from eolseq.shape import Findings, Item

IGNORED = "nothing"
"""Stands for a word of an instrument that sets no flag."""

ENDS = {"LF": b"\n", "CR": b"\r", "CRLF": b"\r\n"}


def build_page(item: Item, findings: Findings, path: str, source: bytes) -> Page:
    """Give the page of its checked keys; FileMistakes with everything found, the mistakes of the keys included."""
    role_name = item["role"]
    if role_name is None:
        findings.raise_if_any()
    role = ROLES[role_name]
    values = Values(item, findings, role)
    replies = Replies(item, findings, role)
    takes, gives = values.takes(), values.gives()
    meanings = replies.meanings()
    identity = replies.query("identity", "model:text", meanings)
    errors = replies.query("errors", "code:integer", meanings)
    count = replies.query("count", "count:integer", meanings)
    replies.check_stop()
    actions = Actions(item, findings, role, meanings, takes)
    does = actions.does()
    replies.check_flags(actions.awaited)
    transcript = Scenes(item, findings, role).scenes()
    findings.raise_if_any()
    return Page(path=path, digest=hashlib.sha256(source).hexdigest(), role=role_name, model=item["identity"]["model"],
                line=_line(item["line"]), identity=_there(identity), errors=errors,
                no_error=item["errors"]["none"] if errors is not None else 0, stop=item["stop"] or "", takes=takes,
                gives=gives, does=does, transcript=transcript, count=count)


class Replies(Section):
    """Reads what the page's replies mean, its questions outside of actions, and ``stop``."""

    def meanings(self) -> Meanings:
        """Give what the fields of replies may be and stand for."""
        item = self.item
        bits = {name: Flags({int(bit): flag for bit, flag in entry.items() if bit.isascii() and bit.isdigit() and flag})
                for name, entry in (item["bits"] or {}).items() if entry is not None}
        words = {name: Words({word: frozenset({flag} - {IGNORED}) for word, flag in entry.items() if flag})
                 for name, entry in (item["words"] or {}).items() if entry is not None}
        specials = {"above_range": ABOVE_RANGE, "below_range": BELOW_RANGE, "none": NO_ANSWER}
        no_reading = {text: special for key, special in specials.items()
                      for text in (item["no_reading"] or {}).get(key) or () if text}
        return Meanings(dict(self.role.gives), bits, words, no_reading, self.decimal_comma)

    def query(self, section: str, needed: str, meanings: Meanings) -> Query | None:
        """Give a question whose reply has the needed field; None where the page has none, or a wrong one."""
        entry = self.item[section]
        if entry is None or entry["ask"] is None or entry["reply"] is None:
            return None
        message = compile_template(entry["ask"], (), self.report(entry.place_of("ask")))
        reply = compile_frame(entry["reply"], meanings, self.report(entry.place_of("reply")))
        if reply is not None and needed not in [f"{part.name}:{part.kind}" for part in reply.parts]:
            self.findings.add(entry.place_of("reply"), f"the reply has no field '{needed}'", f"{{{needed}}}")
        if message is None or reply is None:
            return None
        within = entry["within"]
        return Query(message.source, reply, DEFAULT_WITHIN if within is None else float(within))

    def check_stop(self) -> None:
        """Find a missing ``stop``, or one where nothing is to be stopped."""
        item, role = self.item, self.role
        if role.danger and not item.given("stop"):
            self.findings.add(item.place, f"'stop' is missing: a {item['role']} makes danger",
                               "a message such as OUTP OFF")
        elif item["stop"] is not None:
            if not role.danger:
                self.findings.add(item.place_of_key("stop"), f"a {item['role']} makes no danger", "no 'stop'")
            compile_template(item["stop"], (), self.report(item.place_of("stop")))

    def check_flags(self, awaited: set[str]) -> None:
        """A flag that neither the role nor a wait knows is a slip of the pen."""
        known = [*self.role.flags, *sorted(awaited), IGNORED]
        for section in ("bits", "words"):
            for entry in (self.item[section] or {}).values():
                for key, flag in (entry or {}).items():
                    if flag is not None and flag not in known:
                        self.findings.add(entry.place_of(key), f"'{flag}' is not a flag of this role",
                                           f"one of {', '.join(known)}", nearest(flag, known))


def _line(entry: Item) -> Line:
    """The Line of its checked keys; what is not given stays as it usually is."""
    names = {"decimal": "decimal_comma"}
    given: dict[str, Any] = {names.get(key, key): entry[key] for key in entry if entry.given(key)}
    given["end"] = ENDS[entry["end"]]
    if "decimal_comma" in given:
        given["decimal_comma"] = entry["decimal"] == "comma"
    for key in ("pause", "open_within"):
        if isinstance(given.get(key), Quantity):
            given[key] = float(given[key])
    return Line(**given)


def _there(query: Query | None) -> Query:
    """The identity, which the checks before have made sure of."""
    if query is None:
        raise KeyError("identity")
    return query
