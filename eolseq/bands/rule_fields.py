"""The decision rule as a sequence or a station file names it, and the spread of a product's true values."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import Any

from eolseq.bands.decision import FORMULAS, MULTIPLE, RATIO, RISK, RULES, SIMPLE, Rule, Spread
from eolseq.shape import Amount, Field, Findings, Group, Item, Number, Text, Word

DECISION = Field(Group({
    "rule": Field(Word(RULES), about="how near to a limit a reading may lie and still pass"),
    "coverage": Field(Number(), required=False, about="the factor k of an expanded uncertainty; 2 if not given"),
    "ratio": Field(Number(), required=False, about="simple_acceptance: the least ratio of half a band to U; 4 if not "
                   "given"),
    "multiple": Field(Number(), required=False, about="guarded_by_multiple: how many U are cut off at each limit"),
    "risk": Field(Amount("%", above=Decimal(0), at_most=Decimal(50)), required=False,
                  about="guarded_to_risk: the greatest risk of passing what is outside, such as '2 %'"),
    "formula": Field(Word(FORMULAS), required=False, about="ratio_method: which formula; handbook if not given"),
}, "the decision rule"), required=False, about="the decision rule; simple acceptance at 4:1 if none is named")

_OWN: Mapping[str, tuple[str, str]] = {"ratio": (SIMPLE, "least_ratio"), "multiple": (MULTIPLE, "multiple"),
                                       "risk": (RISK, "risk"), "formula": (RATIO, "formula")}
"""Key -> the rule it belongs to, and the name it has there."""


def spread_field(dimension: str) -> Field:
    """The field ``spread``: how the true values of the product are spread."""
    return Field(Group({
        "centre": Field(Amount(dimension), about="the mean of the true values"),
        "deviation": Field(Amount(dimension, above=Decimal(0)), about="their standard deviation"),
        "basis": Field(Text(400), about="where this is known from, such as so many measured units"),
    }, "the spread"), required=False, about="how the true values of the product are spread, if that is known")


def check_decision(item: Item | None, findings: Findings) -> None:
    """Note figures that belong to another rule, are missing, or cannot be."""
    if item is None or item["rule"] is None:
        return
    for key, (rule, _) in _OWN.items():
        if item.given(key) and item["rule"] != rule:
            findings.add(item.place_of_key(key), f"'{key}' is no part of {item['rule']}", f"it belongs to {rule}")
        elif not item.given(key) and item["rule"] == rule and rule in (MULTIPLE, RISK):
            findings.add(item.place, f"'{key}' is missing in a rule of {rule}", str(DECISION.of.fields[key].about))
    for key, least, most in (("coverage", 1, 4), ("ratio", 1, 100), ("multiple", 0, 10)):
        if item[key] is not None and not least <= item[key] <= most:
            findings.add(item.place_of(key), f"{key} {item[key]} is outside what is possible here",
                         f"{least} to {most}")


def read_decision(item: Item | None) -> Rule | None:
    """The rule of its checked fields; None where none is named."""
    if item is None:
        return None
    given: dict[str, Any] = {name: item[key] for key, (_, name) in _OWN.items() if item[key] is not None}
    if "risk" in given:
        given["risk"] = given["risk"].base / 100
    if item["coverage"] is not None:
        given["coverage"] = item["coverage"]
    return Rule(item["rule"], **given)


def read_spread(item: Item | None) -> Spread | None:
    """The stated spread of its checked fields; None where none is stated."""
    return None if item is None else Spread(item["centre"], item["deviation"])
