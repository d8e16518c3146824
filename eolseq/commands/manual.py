"""``eolseq manual``: the program's own manual, topic by topic."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from eolseq.errors import WrongUse

NAME = "manual"
HELP = """show the manual, or list its topics

Without a topic the topics are listed, each with what it is about."""

FOLDER = Path(__file__).resolve().parent.parent / "manual"

TOPICS = {
    "start": "install, the first run, and where everything is",
    "technician": "testing a unit: what the screen says and what to do",
    "shift": "a shift at one bay: signing in, scanning, labels, what the screen says, after a power cut",
    "sequences": "every key of a sequence file, for engineers",
    "bands": "how a band is worked out from the nameplate and named rows of standards, for engineers",
    "how-sure": "uncertainty, decision rules, and what is undecided, for engineers and quality",
    "findings": "every finding of 'eolseq check', by its code",
    "driver-pages": "how a model of instrument is described, for engineers and maintenance",
    "new-instrument": "from an instrument's manual to a page in an hour, for maintenance",
    "register-pages": "instruments with registers, by Modbus, for engineers and maintenance",
    "stations": "the station file of one bench, for engineers and maintenance",
    "bays": "several bays at one station: what they share, what is each bay's own, what locks, for engineers",
    "checks": "verification, challenge, and what locks a station, for maintenance",
    "earlier-checks": "checks made elsewhere that a unit must have passed, by hand and by files of other equipment",
    "fixtures": "fixtures and lead sets: plug, zero, baseline, cycles; an instrument's own count of tests",
    "people": "who may test what and until when, trainees, the signed list",
    "rework": "after a failure: rework, the lead's word, quality's release, a pass made void",
    "tools": "who is there, asking and telling an instrument by hand, a trace, for maintenance",
    "labels": "labels, cartons, tickets of rejects, scanned labels, the release contact",
    "simulators": "the simulated station, its unit, defects and faults",
    "records": "the signed log: what is in it, how to read and audit it",
    "review": "what a lead watches: yield, failures, stops, bays, drift, pace, and how sure each is",
    "keys": "who signs what, first use, approval and change control, lost keys",
    "auditing": "checking a log or a unit's bundle, with this program or without it",
    "safety": "what keeps people safe, and what this program does not do",
    "exit-codes": "how the program ends, for scripts",
}
"""Every topic, in the order of reading, with what it is about."""


def arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the topic."""
    parser.add_argument("topic", metavar="TOPIC", nargs="?", help="one of " + ", ".join(TOPICS))


def run(options: argparse.Namespace) -> int:
    """Show a topic, drawn on a terminal and as it is written elsewhere; 0."""
    if options.topic is None:
        print(listing(), end="")
        return 0
    text = topic_text(options.topic)
    if sys.stdout.isatty():
        from eolseq.screen.page import show_page

        show_page(text, sys.stdout)
    else:
        print(text, end="")
    return 0


def listing() -> str:
    """The topics, one a line."""
    rows = [f"  {name:13} {about}" for name, about in TOPICS.items()]
    return "\n".join(["The manual has these topics; show one with 'eolseq manual TOPIC':", "", *rows, ""])


def topic_text(topic: str) -> str:
    """The text of a topic; WrongUse, with the nearest topic, when there is none of this name."""
    if topic not in TOPICS:
        from eolseq.quantity import nearest

        near = nearest(topic, TOPICS)
        raise WrongUse(f"The manual has no topic '{topic}'.", (f"Did you mean '{near}'? " if near else "")
                       + "'eolseq manual' lists the topics.")
    return (FOLDER / f"{topic}.md").read_text(encoding="utf-8")
