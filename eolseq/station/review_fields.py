"""What a station file says of the page that a lead gets at the end of a shift."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import PurePosixPath

from eolseq.shape import Field, Findings, Group, Item, Text

REVIEW = Field(Group({
    "printer": Field(Text(127, r"[A-Za-z0-9][A-Za-z0-9_.-]*", "the name of a print queue"), required=False, default="",
                     about="the print queue, by the system's lp; for sheets of A4"),
    "folder": Field(Text(200), required=False, default="", about="or the folder it is written to, as PDF"),
}, "the review"), required=False, about="where the shift's review goes on paper at its end; without it there is none")


@dataclass(frozen=True)
class ReviewRules:
    """Where the page goes: to a print queue or to a folder; one of both is empty."""

    printer: str = ""
    folder: str = ""


def read_review(item: Item | None) -> ReviewRules | None:
    """What a checked station file says of the page; None when it says nothing."""
    return None if item is None else ReviewRules(item["printer"], item["folder"])


def check_review(item: Item, findings: Findings) -> None:
    """Note what the tables of fields cannot say: one way for the page, and none into the records."""
    review = item["shift"]["review"] if item["shift"] is not None else None
    if review is None:
        return
    if bool(review["printer"]) == bool(review["folder"]):
        findings.add(item["shift"].place_of_key("review"), "the review goes to a printer or to a folder",
                     "one of 'printer' and 'folder'")
    folder, records = PurePosixPath(review["folder"]), PurePosixPath(item["records"])
    if review["folder"] and (folder == records or records in folder.parents):
        findings.add(review.place_of("folder"), "the reviews lie in the records folder", "another folder")
