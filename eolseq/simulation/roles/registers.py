"""Guard unit and power meter with registers in place of messages: the same physics behind another wire."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from eolseq.simulation.enclosure import CONTACT_A, CONTACT_B, CONTACTOR, GREEN, LOCKED, RED, STOP
from eolseq.simulation.instrument import CommandError, Handler
from eolseq.simulation.registers import Refusal, RegisterInstrument, Tables
from eolseq.simulation.roles.base import RoleInstrument
from eolseq.simulation.roles.meters import PowerMeter
from eolseq.simulation.roles.station import GuardUnit

NO_VALUE = 0xFFFFFFFF
"""What the power meter's registers hold when it has nothing to say."""

_TEXTS = (20, 8, 8, 4)  # registers for maker, model, serial, firmware


class _WithRegisters(RoleInstrument):
    """A role whose wire has registers."""

    wire_of = RegisterInstrument

    def __init__(self, data: Any, world: Any) -> None:
        super().__init__(data, world)
        wire = self.wire
        if isinstance(wire, RegisterInstrument):
            wire.serial, wire.tables, wire.write = data.link == "serial", self.tables, self.write

    @classmethod
    def all_faults(cls) -> Mapping[str, str]:
        """The faults of its role, but that of an error queue, which it has not."""
        return {name: about for name, about in super().all_faults().items() if name != "error-in-queue"}

    def commands(self) -> Mapping[str, Handler]:
        """None: it understands no messages."""
        return {}

    def tables(self) -> Tables:
        """What stands in its registers now; its identity to begin with."""
        registers: dict[int, int] = {}
        at = 0
        for text, count in zip(self.wire.identity.split(","), _TEXTS, strict=True):
            data = text.encode("ascii").ljust(2 * count)[:2 * count]
            for place in range(count):
                registers[at + place] = int.from_bytes(data[2 * place:2 * place + 2], "big")
            at += count
        return {"input": registers, **self.own_tables(registers)}

    def own_tables(self, registers: dict[int, int]) -> Tables:
        """The role's own tables; input registers are added to those that are given."""
        return {}

    def write(self, table: str, at: int, value: int) -> None:
        """Take a value; Refusal when there is no such place, or it is not taken."""
        raise Refusal(2)


class RegisterPowerMeter(_WithRegisters, PowerMeter):
    """Volts, amps and watts of one acquisition, made anew for each request; it chooses its range by itself."""

    def own_tables(self, registers: dict[int, int]) -> Tables:
        """From 100 on, high half first: hundredths of a volt, milliamperes, tenths of a watt."""
        true = self.world.supply_at_unit()
        for place, (what, value, count) in enumerate(zip(self.measures, true, (0.01, 0.001, 0.1), strict=True)):
            read = self.meters[what].read(value)
            counts = round(read / count) if 0 <= read < 4e8 * count else NO_VALUE
            registers[100 + 2 * place], registers[101 + 2 * place] = counts >> 16, counts & 0xFFFF
        return {}


class RegisterGuardUnit(_WithRegisters, GuardUnit):
    """Inputs 0 to 6, coils for contactor, lock and pulse, and the watchdog's time in hundredths of a second."""

    def own_tables(self, registers: dict[int, int]) -> Tables:
        """Contacts, lock, contactor, stop button and lamps as single bits."""
        guard = self.world.guard
        work, lamps = guard.operation_bits, guard.questionable_bits
        bits = [work & each for each in (CONTACT_A, CONTACT_B, LOCKED, CONTACTOR, STOP)] + [lamps & RED, lamps & GREEN]
        return {"discrete": {place: int(bool(bit)) for place, bit in enumerate(bits)},
                "coil": {0: int(guard.permit), 1: int(guard.locked), 2: 0},
                "holding": {10: round(guard.timer * 100)}}

    def write(self, table: str, at: int, value: int) -> None:
        """Contactor, lock, pulse, or the watchdog's time."""
        guard = self.world.guard
        try:
            if (table, at) == ("coil", 0):
                guard.set_permit(bool(value))
            elif (table, at) == ("coil", 1):
                guard.set_lock(bool(value))
            elif (table, at) == ("coil", 2):
                guard.pulse()
                guard.looked_at()
            elif (table, at) == ("holding", 10) and 1 <= value <= 1000:
                guard.set_timer(value / 100)
            else:
                raise Refusal(3 if (table, at) == ("holding", 10) else 2)
        except CommandError:
            raise Refusal(4) from None
