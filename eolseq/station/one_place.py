"""Each instrument of a station file is meant once: copied lines are an engineer's most usual mistake."""

from __future__ import annotations

from eolseq.shape import Findings, Item


def check_one_place(item: Item, findings: Findings) -> None:
    """No two instruments at one address (and device), and none of the same page with the same serial number."""
    at: dict[tuple[str, int], str] = {}
    serials: dict[tuple[str, str], str] = {}
    for name, each in item["instruments"].items():
        first = at.setdefault((each["address"].casefold(), each["device"]), name) if each["address"] else name
        if first != name:
            findings.add(each.place_of("address"), f"{name} has the address of {first}", "an address of its own")
        first = serials.setdefault((each["page"], each["serial"]), name)
        if first != name:
            findings.add(each.place_of("serial"), f"{name} has the page and the serial number of {first}",
                         "the serial number on its own plate")
