"""What a station file says of labels and tickets, and of the contact that lets a unit go on."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePosixPath

from eolseq.shape import Field, Findings, Group, Item, Text, YesNo

LABELS = Field(Group({
    "printer": Field(Text(127, r"[A-Za-z0-9][A-Za-z0-9_.-]*", "the name of a print queue"), required=False, default="",
                     about="the print queue that labels and tickets go to, by the system's lp"),
    "folder": Field(Text(200), required=False, default="", about="or the folder they are written to, as PDF and PNG"),
    "template": Field(Text(200), required=False, default="", about="the label's template; without it the one that "
                      "comes with the program"),
    "carton": Field(Text(200), required=False, default="", about="the template of the carton's label, likewise"),
    "tickets": Field(YesNo(), required=False, default=True, about="whether a reject prints a ticket"),
}, "the labels"), required=False, about="where labels go; without it the station prints none")

RELEASE = Field(Text(40, r"[A-Za-z][A-Za-z0-9-]*", "a name under 'connections'"), required=False, default="",
                about="the relay that lets a unit go on, by its name under 'connections'; a normally open contact, and "
                "no safety function")


@dataclass(frozen=True)
class LabelRules:
    """Where labels go (``printer`` or ``folder``), by which templates (empty: ours), whether rejects get tickets."""

    printer: str = ""
    folder: str = ""
    template: str = ""
    carton: str = ""
    tickets: bool = True


def read_labels(item: Item | None) -> LabelRules | None:
    """What a checked station file says of labels; None when it says nothing."""
    return None if item is None else LabelRules(*(item[key] for key in ("printer", "folder", "template", "carton",
                                                                        "tickets")))


def check_labels(item: Item, findings: Findings) -> None:
    """Note what the tables of fields cannot say: one way for labels, and a relay that every bay has."""
    labels, release = item["labels"], item["release"]
    if labels is not None and bool(labels["printer"]) == bool(labels["folder"]):
        findings.add(item.place_of_key("labels"), "labels go to a printer or to a folder",
                     "one of 'printer' and 'folder'")
    if labels is not None and labels["folder"]:
        folder, records = PurePosixPath(labels["folder"]), PurePosixPath(item["records"])
        if folder == records or records in folder.parents:
            findings.add(labels.place_of("folder"), "the labels lie in the records folder", "another folder")
    if release and labels is None:
        findings.add(item.place_of("release"), "'release' without 'labels'", "'labels': a unit goes on with its label")
    for connections in _connections(item) if release else ():
        if release not in connections:
            findings.add(item.place_of("release"), f"no connection is named '{release}'",
                         "one of " + ", ".join(connections))


def _connections(item: Item) -> list[Item]:
    """The relays of each bay, by name."""
    found = [item["connections"], *(each["connections"] for each in item["bays"])]
    return [each for each in found if each is not None]
