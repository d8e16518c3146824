"""The two instruments of the bench itself: switching unit and guard unit."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial

from eolseq.simulation.instrument import Call, CommandError, Handler, nr1, nr3, taking
from eolseq.simulation.roles.base import RoleInstrument


class SwitchingUnit(RoleInstrument):
    """Relays by channel number, each with a contact that is read back."""

    channels = frozenset(range(101, 141))

    def commands(self) -> Mapping[str, Handler]:
        """Close, open, and read back."""
        return {
            "ROUTe:CLOSe": taking(1, 1, lambda call: self.world.switch(self._known(call), True)),
            "ROUTe:CLOSe?": taking(1, 1, self._closed),
            "ROUTe:CLOSe:STATe?": taking(0, 0, lambda _: f"(@{','.join(map(str, sorted(self.world.closed)))})"),
            "ROUTe:OPEN": taking(1, 1, lambda call: self.world.switch(self._known(call), False)),
            "ROUTe:OPEN?": taking(1, 1, self._open),
            "ROUTe:OPEN:ALL": taking(0, 0, lambda _: self.reset()),
        }

    def reset(self) -> None:
        """Open everything."""
        self.world.switch(sorted(self.world.closed), False)

    def _known(self, call: Call) -> list[int]:
        channels = call.parameters[0].channels()
        if not self.channels.issuperset(channels):
            raise CommandError(-222)
        return channels

    def _closed(self, call: Call) -> str:
        return ",".join(nr1(each in self.world.closed) for each in self._known(call))

    def _open(self, call: Call) -> str:
        return ",".join(nr1(each not in self.world.closed) for each in self._known(call))


class ManyRelays(SwitchingUnit):
    """The same with relays enough for several bays."""

    channels = frozenset(range(101, 1000))


class GuardUnit(RoleInstrument):
    """Contacts and lamps read back, watchdog, contactor permit (OUTPut1) and guard lock (OUTPut2)."""

    has_faults: Mapping[str, str] = {
        "red-lamp-dead": "its red lamp is dead",
        "green-lamp-dead": "its green lamp is dead",
    }

    def commands(self) -> Mapping[str, Handler]:
        """Watchdog, permit, lock."""
        return {
            "TRIGger:TIMer": taking(1, 1, self._set_timer),
            "TRIGger:TIMer?": taking(0, 0, lambda _: nr3(self.world.guard.timer)),
            "*TRG": taking(0, 0, self._pulse),
            "OUTPut#[:STATe]": taking(1, 1, self._set_output),
            "OUTPut#[:STATe]?": taking(0, 0, self._output),
        }

    def operation(self) -> Callable[[], int]:
        """Contacts, lock, contactor, stop button."""
        return partial(getattr, self.world.guard, "operation_bits")  # no frame of Python for each look

    def questionable(self) -> Callable[[], int]:
        """Lamps."""
        return partial(getattr, self.world.guard, "questionable_bits")

    def reset(self) -> None:
        """Contactor open; the lock stays as it is, since nothing here says that the unit is dead."""
        self.world.guard.set_permit(False)

    def own_faults(self) -> Mapping[str, Callable[[float | None], None]]:
        """A lamp that is dead."""
        guard = self.world.guard
        return {"red-lamp-dead": lambda _: guard.set_lamp_fault("red"),
                "green-lamp-dead": lambda _: guard.set_lamp_fault("green")}

    def clear_fault(self) -> None:
        """Make it sound again."""
        super().clear_fault()
        self.world.guard.set_lamp_fault("")

    def _set_timer(self, call: Call) -> None:
        self.world.guard.set_timer(call.parameters[0].number("S", least=0.01, most=10.0))

    def _pulse(self, _: Call) -> None:
        guard = self.world.guard
        guard.pulse()
        guard.looked_at()

    def _set_output(self, call: Call) -> None:
        wanted = call.parameters[0].boolean()
        if call.suffixes[0] == 1:
            self.world.guard.set_permit(wanted)
        elif call.suffixes[0] == 2:
            self.world.guard.set_lock(wanted)
        else:
            raise CommandError(-113)

    def _output(self, call: Call) -> str:
        guard = self.world.guard
        if call.suffixes[0] not in (1, 2):
            raise CommandError(-113)
        return nr1(guard.permit if call.suffixes[0] == 1 else guard.locked)
