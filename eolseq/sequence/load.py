"""A sequence file to a Sequence, or every mistake in it in one go."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

from eolseq.bands.rule_fields import DECISION, check_decision, read_decision
from eolseq.sequence.derive import bands_worked_out
from eolseq.sequence.model import Sequence, StoredCharge, UnitData
from eolseq.sequence.needs import NEEDS, check_needs, read_needs
from eolseq.serials import LIKE, read_pattern, whole_pattern
from eolseq.shape import Amount, Field, Findings, Group, Item, ListOf, OneOf, Parsed, Text, Word, load, load_file
from eolseq.steps import STEP_KINDS
from eolseq.steps.fields import NAME, check_repeated

_POSITIVE = Decimal(0)

UNIT = Group({
    "models": Field(ListOf(Text(60), 1, 40), about="the models this sequence is for"),
    "serial_pattern": Field(Parsed(read_pattern, LIKE, whole_pattern), about=LIKE),
    "protection_class": Field(Word(("I", "II", "III")), about="I earthed, II double insulated, III safe voltage"),
    "rated": Field(Group({
        "voltage": Field(Amount("V", above=_POSITIVE), about="the rated voltage, such as '240 V'"),
        "frequency": Field(Amount("Hz", above=_POSITIVE), required=False, about="such as '60 Hz'"),
        "power": Field(Amount("W", above=_POSITIVE), required=False, about="such as '6 kW'"),
        "current": Field(Amount("A", above=_POSITIVE), required=False, about="such as '27.4 A'"),
        "motor": Field(Amount("hp", above=_POSITIVE), required=False, about="the motor's rated power"),
    }, "the rated values"), about="what the nameplate says"),
    "metal_parts": Field(ListOf(Text(40, NAME, "a name such as front-panel"), 0, 40), required=False, default=(),
                         about="metal parts a person can touch, each to be bonded"),
    "stored_charge": Field(ListOf(Group({
        "between": Field(ListOf(Text(40, NAME, "a conductor such as L, N or earth"), 2, 2),
                         about="the two conductors it lies between"),
        "capacitance": Field(Amount("F", above=_POSITIVE), about="such as '6 uF'"),
        "bleeder": Field(Amount("ohm", above=_POSITIVE), about="the resistance through which it discharges"),
    }, "the stored charge"), 0, 20), required=False, default=(), about="capacitors that keep a charge after OFF"),
}, "the unit")

SEQUENCE = Group({
    "name": Field(Text(80), about="what people call this sequence"),
    "version": Field(Text(20), about="its version, such as '1'"),
    "about": Field(Text(2000), required=False, default="", about="what people should know of it"),
    "unit": Field(UNIT, about="the product"),
    "cautions": Field(ListOf(Text(200), 0, 12), required=False, default=(), about="cautions besides the standard ones"),
    "decision": DECISION,
    "needs": NEEDS,
    "steps": Field(ListOf(OneOf("kind", {name: kind.fields for name, kind in STEP_KINDS.items()}), 1, 100),
                   about="the steps, in order"),
}, "the sequence")


def load_sequence(path: Path) -> Sequence:
    """Read and check a sequence file; FileMistakes with every mistake at its line and column."""
    return _sequence(path, *load_file(path, {"sequence": SEQUENCE}))


def read_sequence(source: bytes, path: Path) -> Sequence:
    """The sequence in the text of a file, such as one approved long ago; FileMistakes with every mistake."""
    return _sequence(path, *load(source, str(path), {"sequence": SEQUENCE}), source)


def _sequence(path: Path, item: Item, findings: Findings, source: bytes) -> Sequence:
    item = bands_worked_out(item, findings, SEQUENCE)
    _check(item, findings)
    findings.raise_if_any()
    steps = tuple(STEP_KINDS[each["kind"]].from_item(each) for each in item["steps"])
    return Sequence(name=item["name"], version=item["version"], path=path, unit=_unit(item["unit"]),
                    cautions=tuple(item["cautions"]), steps=steps, source=source, item=item,
                    decision=read_decision(item["decision"]), needs=read_needs(item["needs"]))


def _unit(item: Item) -> UnitData:
    rated = {name: value for name, value in item["rated"].items() if value is not None}
    return UnitData(tuple(item["models"]), item["serial_pattern"], item["protection_class"], rated,
                    tuple(item["metal_parts"]),
                    tuple(StoredCharge((each["between"][0], each["between"][1]), each["capacitance"], each["bleeder"])
                          for each in item["stored_charge"]))


def _check(item: Item, findings: Findings) -> None:
    """What the table of fields cannot say, for every step that could be read."""
    unit = item.get("unit")
    if unit is not None:
        check_repeated(unit["metal_parts"], findings, "named")
        check_repeated(unit["models"], findings, "named")
    check_decision(item.get("decision"), findings)
    check_needs(item.get("needs"), findings)
    seen: dict[str, int] = {}
    for step in [each for each in item.get("steps") or () if each is not None]:
        kind = STEP_KINDS.get(step["kind"] or "")
        if kind is not None:
            kind.check(step, findings)
        name = step["name"]
        if name in seen:
            findings.add(step.place_of("name"), f"the step name '{name}' is repeated (first on line {seen[name]})",
                         "each name once")
        elif name is not None:
            seen[name] = step.place_of("name").line
