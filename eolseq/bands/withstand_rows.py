"""Withstand voltages and times by named rows of standards, each as it is printed.

AC, DC and one-second values are rows of their own: at least four factors between AC and DC are in print, and "120 % for
one second" is a rule of some standards and not exact in others, so that none is ever worked out from another.
Editions differ and local codes rule: take a row as a starting point, never as legal advice.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from typing import NamedTuple

from eolseq.bands.working import Source, Standing
from eolseq.quantity import Quantity


class WithstandRow(NamedTuple):
    """One printed voltage (V, ``volts`` and so many per rated volt, with a cap) for one time (s), and its conditions.

    ``rated_above`` (V, not included) and ``rated_to`` (V), ``motor_to`` (hp): all must hold. ``either_above`` is for
    the rows that apply as soon as one of voltage (V) and motor (hp) is larger. ``sensitivity`` (ohm): the resistor
    that the test must find when it takes the unit's place.
    """

    type: str
    seconds: Decimal
    volts: Decimal
    source: Source
    per_volt: Decimal = Decimal(0)
    cap: Decimal | None = None
    most: Decimal | None = None
    rated_above: Decimal | None = None
    rated_to: Decimal | None = None
    motor_to: Decimal | None = None
    either_above: tuple[Decimal, Decimal] | None = None
    use: str = "production line"
    sensitivity: Decimal | None = None

    def voltage(self, rated: Decimal) -> Decimal:
        """The test voltage (V) of the row at a rated voltage (V)."""
        volts = self.volts + self.per_volt * rated
        return volts if self.cap is None else min(volts, self.cap)

    def needs_motor(self) -> bool:
        """Whether the row's conditions speak of the motor."""
        return self.motor_to is not None or self.either_above is not None

    def misfit(self, rated: Quantity, motor: Quantity | None) -> str:
        """Why the row is not for a unit with this rated voltage (V) and motor (hp); empty if it is."""
        if self.rated_above is not None and rated.base <= self.rated_above:
            return f"is for more than {self.rated_above} V, and the unit is rated {rated}"
        if self.rated_to is not None and rated.base > self.rated_to:
            return f"is for at most {self.rated_to} V, and the unit is rated {rated}"
        if self.needs_motor() and motor is None:
            return "depends on the motor's rated power, and the unit's is not given"
        if self.motor_to is not None and motor is not None and motor.base > self.motor_to:
            return f"is for motors of at most {self.motor_to} hp, and the unit's has {motor}"
        if self.either_above is not None and motor is not None and rated.base <= self.either_above[0] \
                and motor.base <= self.either_above[1]:
            return f"is for more than {self.either_above[0]} V or {self.either_above[1]} hp, and the unit has neither"
        return ""

    def conditions(self) -> str:
        """The conditions in words."""
        said = [f"above {self.rated_above} V" if self.rated_above is not None else "",
                f"up to {self.rated_to} V" if self.rated_to is not None else "",
                f"motor up to {self.motor_to} hp" if self.motor_to is not None else "",
                f"above {self.either_above[0]} V or {self.either_above[1]} hp" if self.either_above else ""]
        return " and ".join(each for each in said if each) or "any rating"


def _row(type_: str, seconds: int, volts: int, source: Source, use: str = "production line",
         **more: str | int | tuple[str, str]) -> WithstandRow:
    numbers = {key: tuple(map(Decimal, value)) if isinstance(value, tuple) else Decimal(value)
               for key, value in more.items()}
    return WithstandRow(type_, Decimal(seconds), Decimal(volts), source, use=use,
                        **numbers)  # type: ignore[arg-type]  # each is what its field takes, by the lines below


_WAC = "Washington Administrative Code WAC 296-150C-1320"
_UL_458 = Source("ANSI/UL 458 Table 53.1", Standing.SEEN)
_CFR = Source("24 CFR 3280.810(a), as quoted in a letter of June 2000", Standing.SECOND_HAND)
_UL_817 = Source("UL 817 104.1", Standing.SECOND_HAND)
_UL_705 = Source("UL 705 26.1, certification requirement decision", Standing.SECOND_HAND)
_UL_778 = Source("UL 778 35.1.1 and 35.1.2", Standing.SECOND_HAND)
_PLUGS = Source("AS/NZS 3112 Table 3.3", Standing.SECOND_HAND)
_MG_1 = Source("NEMA MG 1 3.1.6 and 12.3", Standing.FROM_MEMORY)
_ANNEX_A = Source("IEC 60335-1 Annex A.2, Table A.1 (informative)", Standing.FROM_MEMORY)
_UL_40 = Source("UL 60335-2-40 and UL 1995, production line", Standing.FROM_MEMORY)
_MACHINES = Source("IEC 60204-1 18.4", Standing.FROM_MEMORY)


def _wac(clause: int) -> Source:
    return Source(f"{_WAC}({clause})", Standing.SEEN)


WITHSTAND_ROWS: Mapping[str, WithstandRow] = {
    "wac-1320-1-60s": _row("ac", 60, 900, _wac(1), "factory"),
    "wac-1320-1-1s": _row("ac", 1, 1080, _wac(1), "factory"),
    "wac-1320-2-480v-60s": _row("ac", 60, 1275, _wac(2), "factory, 480 V systems"),
    "wac-1320-2-480v-1s": _row("ac", 1, 1500, _wac(2), "factory, 480 V systems"),
    "wac-1320-3-low-60s": _row("ac", 60, 500, _wac(3), "factory, low-voltage circuits"),
    "wac-1320-3-low-1s": _row("ac", 1, 600, _wac(3), "factory, low-voltage circuits"),
    "cfr-3280-810-60s": _row("ac", 60, 900, _CFR, "factory", most=1079),
    "cfr-3280-810-1s": _row("ac", 1, 1080, _CFR, "factory", most=1250),
    "ul-458-60s": _row("ac", 60, 1000, _UL_458, rated_to=230),
    "ul-458-1s": _row("ac", 1, 1200, _UL_458, rated_to=230),
    "ul-817-ac-60s": _row("ac", 60, 1250, _UL_817),
    "ul-817-ac-1s": _row("ac", 1, 1500, _UL_817),
    "ul-817-dc-60s": _row("dc", 60, 1770, _UL_817),
    "ul-817-dc-1s": _row("dc", 1, 2100, _UL_817),
    "ul-705-small-ac-60s": _row("ac", 60, 1000, _UL_705, "type test", rated_to=250, motor_to="0.5"),
    "ul-705-small-dc-60s": _row("dc", 60, 1400, _UL_705, "type test", rated_to=250, motor_to="0.5"),
    "ul-705-large-ac-60s": _row("ac", 60, 1000, _UL_705, "type test", per_volt=2, either_above=("250", "0.5")),
    "ul-705-large-dc-60s": _row("dc", 60, 1400, _UL_705, "type test", per_volt="2.8", either_above=("250", "0.5")),
    "ul-778-small-60s": _row("ac", 60, 1000, _UL_778, "type test", rated_to=250, motor_to="0.5"),
    "ul-778-large-60s": _row("ac", 60, 1000, _UL_778, "type test", per_volt=2, either_above=("250", "0.5")),
    "as-nzs-3112-low-60s": _row("ac", 60, 500, _PLUGS, "type test", rated_to=32),
    "as-nzs-3112-to-250-60s": _row("ac", 60, 1000, _PLUGS, "type test", rated_above=32, rated_to=250),
    "as-nzs-3112-to-650-60s": _row("ac", 60, 1000, _PLUGS, "type test", per_volt=2, cap=2000, rated_above=250,
                                   rated_to=650),
    "nema-mg-1-60s": _row("ac", 60, 1000, _MG_1, "motors", per_volt=2),
    "nema-mg-1-1s": _row("ac", 1, 1200, _MG_1, "small motors", per_volt="2.4"),
    "iec-60335-1-basic-to-150-1s": _row("ac", 1, 800, _ANNEX_A, rated_to=150),
    "iec-60335-1-basic-above-150-1s": _row("ac", 1, 1000, _ANNEX_A, rated_above=150),
    "ul-60335-2-40-to-250-60s": _row("ac", 60, 1000, _UL_40, sensitivity=120_000, rated_to=250),
    "ul-60335-2-40-to-250-1s": _row("ac", 1, 1200, _UL_40, sensitivity=120_000, rated_to=250),
    "ul-60335-2-40-above-250-60s": _row("ac", 60, 1000, _UL_40, sensitivity=120_000, per_volt=2,
                                        rated_above=250, rated_to=600),
    "ul-60335-2-40-above-250-1s": _row("ac", 1, 1200, _UL_40, sensitivity=120_000, per_volt="2.4",
                                       rated_above=250, rated_to=600),
    "iec-60204-1-to-500-1s": _row("ac", 1, 1000, _MACHINES, "machines", rated_to=500),
    "iec-60204-1-above-500-1s": _row("ac", 1, 0, _MACHINES, "machines", per_volt=2, rated_above=500),
}
"""Row -> what it says. No row has a leakage current: that is another measurement and never a withstand band."""
