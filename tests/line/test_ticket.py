"""The ticket of a reject: step, reading against its band, where to look; on paper, as text, read back."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from pathlib import Path
from types import SimpleNamespace

import pytest

from eolseq.bands.band import Outcome
from eolseq.commands.labelling import Paper
from eolseq.commands.printing import PrintFailed
from eolseq.errors import Refused
from eolseq.line.label import ratings
from eolseq.line.paper import picture
from eolseq.line.ticket import Ticket, TicketStep, ticket_of, ticket_text, way_of
from eolseq.line.ticket_paper import ticket_pdf
from eolseq.line.where_to_look import HINTS, where_to_look
from eolseq.sequence.load import read_sequence
from eolseq.station.label_fields import LabelRules
from eolseq.steps import STEP_KINDS
from tests.line.labels import SEQUENCE, STATION, MemoryPrinter, needs_readers, paper, scanned, words_in
from tests.rig import Rig

DEFECTS = {
    "poor-bond": ("Earth path to every metal part", "Look: The bond at this point"),
    "wrong-element": ("Stage 2 cold", "Look: A loose or missing connection of this stage, its contactor, or an element of less"),
    "pinched-wire": ("Withstand, line and neutral to earth", "Look: Breakdown"),
    "locked-rotor": ("Fan motor current", "Look: The wheel rubs or is blocked"),
}


@needs_readers
@pytest.mark.parametrize("defect", DEFECTS)
def test_a_reject_prints_a_ticket_and_no_label(defect: str, quick_path: Path) -> None:
    step, look = DEFECTS[defect]
    with Rig(quick_path, defect=defect) as rig:
        result = rig.run()
        assert result.outcome is Outcome.FAIL
        printer = MemoryPrinter()
        said = paper(printer).ticket(SEQUENCE, result, rig.log)
        with pytest.raises(Refused):
            paper(printer).label(rig.log, SEQUENCE, rig.serial)
        (name, pdf), = printer.printed
        words = " ".join(words_in(pdf).split())
    assert said == "Ticket: job 1." and name == f"ticket {rig.serial} entry {result.index} attempt 1"
    assert "SIMULATED: NO REAL UNIT" in words and "REJECT" in words and "TO QUALITY" not in words
    assert step.split(",")[0] in words and look in words and ("band: " in words) is (defect != "pinched-wire") and "attempt 1" in words
    assert "Not released" in words
    assert scanned(picture(pdf)) == {f"CODE-128:{rig.serial}"}, "a ticket is never taken for a label"


def test_the_reading_stands_on_the_ticket_as_the_record_has_it(quick_path: Path) -> None:
    with Rig(quick_path, defect="poor-bond") as rig:
        result = rig.run()
        run = rig.log.last_run(rig.serial)
        assert run is not None
        found = ticket_of(SEQUENCE, result, STATION.name, run)
    assert found is not None and found.head == "REJECT" and found.marks == ("SIMULATED",)
    bad = [each for _, verdict in result.steps for each in verdict.readings if each.outcome is Outcome.FAIL]
    first = found.steps[0].readings[0]
    assert first.name == bad[0].name
    number, unit = first.value.split(" ")
    assert bad[0].reading.base == Decimal(number) * {"ohm": 1, "mohm": Decimal("0.001")}[unit]
    assert first.limits == "2 to 100 mohm"
    text = ticket_text(found)
    for word in ("*** SIMULATED ***", "REJECT", rig.serial, first.value, first.limits, "LOOK: "):
        assert word in text


@needs_readers
def test_only_a_reject_has_a_ticket(quick_path: Path) -> None:
    with Rig(quick_path) as rig:
        result = rig.run()
        run = rig.log.last_run(rig.serial)
        assert result.outcome is Outcome.PASS and run is not None
        for outcome in Outcome:
            found = ticket_of(SEQUENCE, replace(result, outcome=outcome), STATION.name, run)
            assert (found is not None) == (outcome in (Outcome.FAIL, Outcome.UNDECIDED))
        undecided = ticket_of(SEQUENCE, replace(result, outcome=Outcome.UNDECIDED, trial=True), STATION.name, run)
        assert undecided is not None and undecided.head == "REJECT, TO QUALITY" and undecided.marks == ("SIMULATED", "TRIAL")
        words = words_in(ticket_pdf(undecided))
        assert "REJECT, TO QUALITY" in words and "TRIAL" in words and "SIMULATED" in words
        assert ticket_of(SEQUENCE, replace(result, outcome=Outcome.FAIL, index=None), STATION.name, run) is None
        printer = MemoryPrinter()
        assert paper(printer).ticket(SEQUENCE, result, rig.log) == "" and not printer.printed


def test_the_sequence_s_own_hint_comes_first(quick_path: Path) -> None:
    own = "The green lead behind the rear panel."
    source = SEQUENCE.source.replace(b"    points: [front-panel", b"    look_at: %b\n    points: [front-panel" % own.encode())
    sequence = read_sequence(source, SEQUENCE.path)
    with Rig(quick_path, defect="poor-bond", sequence=sequence) as rig:
        result = rig.run()
        run = rig.log.last_run(rig.serial)
        found = None if run is None else ticket_of(sequence, result, STATION.name, run)
    assert found is not None and found.steps[0].look[0] == own and len(found.steps[0].look) > 1


def test_a_printer_that_fails_is_told_and_the_unit_is_marked_by_hand(quick_path: Path) -> None:
    with Rig(quick_path, defect="poor-bond") as rig:
        result = rig.run()
        said = paper(MemoryPrinter(PrintFailed("the paper is out"))).ticket(SEQUENCE, result, rig.log)
        assert "the paper is out" in said and "by hand" in said
        none = Paper(STATION, LabelRules(folder="unused", tickets=False), MemoryPrinter())
        assert none.ticket(SEQUENCE, result, rig.log) == ""


WAYS = {
    "above": ("0.2", "0.002", "0.1", "above"), "below": ("0.001", "0.002", "0.1", "below"),
    "no number": (None, None, "0.1", "none"), "only an upper limit": ("5", None, "1", "above"),
    "a trip, which has no limits": ("0.04", None, None, "none"),
    "only a lower limit": ("0", "1", None, "below"), "inside, near the upper limit": ("0.09", "0.002", "0.1", "above"),
}


@pytest.mark.parametrize("name", WAYS)
def test_how_a_reading_lay(name: str) -> None:
    value, low, high, way = WAYS[name]
    assert way_of(SimpleNamespace(value=value, at_least=low, at_most=high)) == way


def test_every_kind_of_step_has_hints() -> None:
    kinds = {kind for kind, _ in HINTS}
    assert set(STEP_KINDS) <= kinds
    for kind in STEP_KINDS:
        for way in ("above", "below", "none"):
            assert where_to_look(kind, "current", way).endswith(".")  # type: ignore[arg-type]
    assert "DANGER" in where_to_look("motor_current", "residual voltage", "above")


@needs_readers
def test_a_ticket_with_more_than_fits_says_so() -> None:
    step = TicketStep(1, "A step", "kind", "It is bad. " * 40, (), tuple(f"Look here {n}. " * 20 for n in range(9)))
    long = Ticket("REJECT", ("SIMULATED", "TRIAL"), "W" * 60, ("a", "b", "c"), (step,) * 3, 2)
    words = " ".join(words_in(ticket_pdf(long)).split())
    assert "There is more: the record has it." in words and "Not released" in words


def test_ratings_are_said_in_one_order() -> None:
    assert ratings(SEQUENCE.unit) == "240 V  60 Hz  6 kW  motor 0.333 hp  class I"
