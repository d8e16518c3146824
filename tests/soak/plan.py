"""What a soak will do, all of it drawn from one seed: units sound and defective, and what goes wrong around them.

The plant, its products and every number are invented demo data.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from typing import Any

from eolseq.simulation.file import Defect
from tests.shift_rig import SIMULATOR
from tests.soak.bench import STATION

MODELS = (("DH6", 0.68), ("DH3", 0.16), ("DH9", 0.08), ("DHC6", 0.08))
ODD = 0.15          # of all visits: something goes wrong
DEFECTIVE = 0.12    # of all visits
TWINS = 0.10        # a unit just inside a band
SOUND_KINDS = 60    # different sound units
WANTING = 0.15      # of the coils: an earlier check is missing, failed, outside its band or too old

OF_WIRES = ("silent", "garbled", "truncated", "late", "closed", "split", "split-at", "slow", "refused", "error-in-queue")
FALSE = ("drifted", "noisy", "overloaded", "reading-stuck")
"""Faults under which an instrument reads what is not so; nothing can be said of a defective unit under them."""

CODES = (b"DH6-00000009", b"=end", b"=out", b"\x03", b"A" * 5000, b"op-07", b"=found", b"4006381333931", b"op-99",
         "DH6-0000000１".encode(), b"REFERENCE-GOOD", b"PLATE DH-3 DH6-00000001", b"EOLSEQ-LABEL-1 UNIT REAL")


@dataclass(frozen=True)
class Mishap:
    """Something that goes wrong: what, how many seconds after the scan, and numbers of its own."""

    kind: str
    after: float
    number: int = 0
    instrument: str = ""
    name: str = ""


@dataclass(frozen=True)
class Visit:
    """A unit comes to the bay: its physical condition (of the simulator file), whether it is sound, what goes wrong."""

    serial: str
    condition: str | None
    sound: bool
    mishap: Mishap | None = None
    rework: bool = False  # a technician hands its rework in first
    earlier: str = ""     # how its earlier checks stand; empty where its model needs none

    @property
    def admitted(self) -> bool:
        """Whether its earlier checks let it be tested."""
        return self.earlier in ("", "made")


def simulator(random: Random) -> Any:
    """The demo simulator with a defect's twin as a condition of its own, and many sound units, each another."""
    extra = {f"twin-of-{name}": Defect(each.about, each.twin, (), {
        model: (both[1], ()) for model, both in each.in_model.items()}) for name, each in SIMULATOR.defects.items()}
    for number in range(SOUND_KINDS):
        extra[f"sound-{number}"] = Defect("sound", (), (), {each.model: (_sound(each.values, random), ())
                                                          for each in SIMULATOR.units})
    return dataclasses.replace(SIMULATOR, defects={**SIMULATOR.defects, **extra})


def _sound(fields: Any, random: Random) -> tuple[tuple[str, Any], ...]:
    """Physical fields of a unit that is well inside every band."""
    found = [(f"earth.{part}", random.uniform(0.010, 0.070)) for part in fields["earth"]]
    found += [("insulation.resistance", 60e6 * 300.0 ** random.random()), ("ambient", random.uniform(17.0, 27.0)),
              ("insulation.line", fields["insulation"]["line"] * random.uniform(0.8, 1.1)),
              ("motor.load", fields["motor"]["load"] * random.uniform(0.985, 1.015)),
              ("across.bleeder", fields["across"]["bleeder"] * random.uniform(0.9, 1.1))]
    if fields.get("coil"):
        found.append(("coil.charge", fields["coil"]["charge"] + random.uniform(-3000.0, 3000.0)))  # Pa
    for stage, each in fields["stages"].items():
        found += [(f"stages.{stage}.resistance", each["resistance"] * random.uniform(0.985, 1.015)),
                  (f"stages.{stage}.contact", random.uniform(0.001, 0.010))]
    return tuple(found)


def visits(seed: int) -> Iterator[Visit]:
    """One unit after the other, for ever; every defect, every fault and every other mishap comes up in turn."""
    random = Random(seed)
    counters = dict.fromkeys((model for model, _ in MODELS), 0)
    bad, twins = {model: _cycle(_defects(model), random) for model, _ in MODELS}, _cycle_all(random)
    mishaps = _mishaps(random)
    while True:
        model = random.choices([name for name, _ in MODELS], [part for _, part in MODELS])[0]
        counters[model] += 1
        serial, drawn = f"{model}-{counters[model]:08d}", random.random()
        mishap = next(mishaps) if random.random() < ODD else None
        earlier = _earlier(random) if model == "DHC6" else ""
        if drawn < DEFECTIVE:
            if mishap is not None and (mishap.name in FALSE or mishap.kind in ("bay", "mains")):
                mishap = None
            yield Visit(serial, next(bad[model]), False, mishap, earlier=earlier)
        elif drawn < DEFECTIVE + TWINS:
            if mishap is not None and mishap.name in FALSE:
                mishap = None
            yield Visit(serial, f"twin-of-{next(twins[model])}", True, mishap, earlier=earlier)
        else:
            yield Visit(serial, f"sound-{random.randrange(SOUND_KINDS)}", True, mishap, earlier=earlier)


def _earlier(random: Random) -> str:
    return random.choice(("missing", "failed", "outside", "old")) if random.random() < WANTING else "made"


def _defects(model: str) -> list[str]:
    return list(SIMULATOR.defects_of(f"{model}-00000001"))


def _cycle_all(random: Random) -> dict[str, Iterator[str]]:
    return {model: _cycle(_defects(model), random) for model, _ in MODELS}


def _cycle(names: list[Any], random: Random) -> Iterator[Any]:
    """Each name in turn, in another order every time."""
    while True:
        random.shuffle(names)
        yield from list(names)


def _mishaps(random: Random) -> Iterator[Mishap]:
    faults = _cycle(faults_of(STATION, SIMULATOR), random)
    kinds = _cycle(["kill"] * 6 + ["torn"] * 2 + ["guard"] * 3 + ["stop"] + ["fault"] * 5 + ["bay", "mains"]
                   + ["printer before", "printer after", "full at begin", "full", "clock a little", "clock back"]
                   + ["codes"] * 2, random)
    bays = _cycle(list(SIMULATOR.faults), random)
    for kind in kinds:
        after, number = random.uniform(0.0, 42.0 if kind == "kill" else 30.0), random.randrange(1, 40)
        if kind == "fault":
            instrument, name = next(faults)
            yield Mishap(kind, random.choice((0.0, after)), number, instrument, name)
        elif kind == "bay":
            yield Mishap(kind, after, number, "", next(bays))
        else:
            yield Mishap(kind, after, number)


def faults_of(station: Any, simulator: Any) -> list[tuple[str, str]]:
    """Every fault that each instrument of a station can have."""
    from eolseq.simulation.file import _model

    models = {each.name: _model(each) for each in simulator.instruments}
    return [(each.name, fault) for each in station.instruments for fault in models[each.name].all_faults()]
