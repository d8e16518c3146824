"""What a station file says of the plant's own time: its zone, and the breaks of a shift."""

from __future__ import annotations

from datetime import datetime, timedelta

from eolseq.shape import Field, Findings, Item, ListOf, Text
from eolseq.station.plant_time import UTC_TIME, Break, PlantTime, overlapping, zone_of

_TIME = r"(?:[01][0-9]|2[0-3]):[0-5][0-9]"

ZONE = Field(Text(60, r"[A-Za-z][A-Za-z0-9_+-]*(/[A-Za-z0-9_+-]+)*", "a time zone such as Europe/London"),
             required=False, default="", about="the plant's time zone by its IANA name, such as Europe/London; reviews "
             "then have its local times, without it UTC")
BREAKS = Field(ListOf(Text(11, f"{_TIME}-{_TIME}", "from and to, such as '09:00-09:15'"), 1, 12), required=False,
               default=(), about="the breaks of every day in the plant's local time, such as '09:00-09:15'; time in "
               "them counts only where a unit was under test")


def read_plant(item: Item) -> PlantTime:
    """The plant's own time by a checked station file."""
    shift = item["shift"]
    if not item["zone"]:
        return UTC_TIME
    return PlantTime(item["zone"], () if shift is None else tuple(_break(each) for each in shift["breaks"]))


def check_plant(item: Item, findings: Findings) -> None:
    """Note what the tables of fields cannot say: a zone that nobody knows, breaks in nobody's time, or twice."""
    if item["zone"]:
        try:
            zone_of(item["zone"])
        except KeyError:
            findings.add(item.place_of("zone"), f"'{item['zone']}' is no time zone that this computer knows",
                         "an IANA name such as Europe/London; the names come with the package tzdata")
    shift = item["shift"]
    if shift is None or not shift["breaks"]:
        return
    if not item["zone"]:
        findings.add(shift.place_of_key("breaks"), "'breaks' without 'zone': nobody knows in whose local time",
                     "'zone' with an IANA name such as Europe/London")
    breaks = [_break(each) for each in shift["breaks"]]
    if any(not each.lasts for each in breaks):
        findings.add(shift.place_of_key("breaks"), "a break that ends as it begins",
                     "from and to, such as '09:00-09:15'")
    elif overlapping(breaks):
        findings.add(shift.place_of_key("breaks"), "two breaks have a time in common", "breaks one after the other")


def _break(text: str) -> Break:
    """A break by its two times; one that ends before it begins goes on past midnight."""
    begins, ends = (datetime.strptime(each, "%H:%M") for each in text.split("-"))
    return Break(begins.time(), (ends - begins) % timedelta(days=1))
