"""What a station file knows of its instruments' accuracy beyond the driver page, held against the table of roles."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal

from eolseq.bands.decision import ACCURACY_LIKE
from eolseq.bands.uncertainty import Accuracy, read_accuracy
from eolseq.instruments.roles import ROLES
from eolseq.instruments.spans import Known
from eolseq.quantity import nearest
from eolseq.shape import Findings, Item

_DIMENSIONS: Mapping[str, str] = {name: unit for role in ROLES.values() for name, unit in role.gives.items()}
"""Every reading that any role gives, with its dimension; one name has one dimension."""


def read_known(item: Mapping[str, Item | None] | None, findings: Findings) -> dict[str, Known]:
    """By reading, what is known of its accuracy; what cannot be is noted and left out."""
    found = {}
    for name, each in (item or {}).items():
        if each is None or not isinstance(item, Item):
            continue
        if name not in _DIMENSIONS:
            findings.add(item.place_of_key(name), f"'{name}' is not a reading of any role",
                         "one of " + ", ".join(_DIMENSIONS), nearest(name, _DIMENSIONS))
            continue
        found[name] = _known(each, _DIMENSIONS[name], findings)
    return found


def _known(item: Item, dimension: str, findings: Findings) -> Known:
    leads = item["leads"]
    if leads is not None and (leads.dimension != dimension or leads.base < 0):
        findings.add(item.place_of("leads"), f"leads of {leads} at a reading in {dimension}",
                     f"a value in {dimension}, not below 0")
        leads = None
    if item["accuracy"] is not None and not item["certificate"]:
        findings.add(item.place, "an accuracy without its certificate", "'certificate': its number and date")
    return Known(_read(item, "accuracy", dimension, findings), item["certificate"] or "",
                 leads.base if leads is not None else Decimal(0), _read(item, "temperature", dimension, findings))


def _read(item: Item, key: str, dimension: str, findings: Findings) -> Accuracy | None:
    if item[key] is None:
        return None
    try:
        return read_accuracy(item[key], dimension)
    except ValueError as error:
        findings.add(item.place_of(key), str(error), ACCURACY_LIKE)
        return None
