"""The one door to voltage.

No other place asks an instrument to energise. The order is always the same: the intention durable in the log, the
latch and the guard's freshness, ON with confirmation, the latch again, the work, OFF confirmed, discharge, dead
proved. Whatever happens in between, the way out is the same; what cannot be confirmed off or proved dead leaves the
guard locked.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from typing import Any

from eolseq.bands.band import NO_ANSWER, Reading
from eolseq.clock import Clock
from eolseq.errors import EolseqError, InstrumentFault, StationFault
from eolseq.guard.opening import Ceilings, Opening, Power, Wiring
from eolseq.guard.watcher import REST, Watcher
from eolseq.instruments.player import Permit
from eolseq.instruments.roles import Instrument
from eolseq.quantity import Quantity

DEAD_BELOW = 25.0     # volts, crest: under 25 V ac and 60 V dc at once (EN 50191:2010 scope 1.2)
DISCHARGE_TRIES = 10
DISCHARGE_PAUSE = 0.03  # seconds; five times 1 kohm and 6 uF
_KEEP_AWAY = ("DANGER: voltage may be present. Keep the guard closed, do not touch the unit, switch the station off at "
              "its main switch and call maintenance.")


class LockedRed(StationFault):
    """Off or dead could not be shown: the guard stays locked, the station is locked."""


class Door:
    """Guards every energising of one bay."""

    def __init__(self, clock: Clock, watcher: Watcher, ceilings: Ceilings, wiring: Wiring,
                 announce: Callable[[str, bool], None]) -> None:
        self._clock = clock
        self._watcher = watcher
        self._ceilings = ceilings
        self._wiring = wiring
        self.announce = announce
        self.voltage_possible = False

    @contextmanager
    def energised(self, source: Instrument, settings: Mapping[str, Any], *, write: Callable[[], None],
                  residual_after: Quantity | None = None, run_down: Quantity | None = None) -> Iterator[Power]:
        """Voltage on for the block. ``write`` makes the intention durable. The unit is off and dead after the block.

        Raises Stopped or StationFault when a trip ends the block, LockedRed when off or dead could not be shown. A
        trip that comes once the block is done leaves its readings standing; the next look at the watcher tells.
        """
        refusal = self._ceilings.refuse(settings)
        if refusal:
            raise StationFault(refusal, "Lower the setting in the sequence; ceilings are set in the station file.")
        source.perform("prepare", **settings)
        self._watcher.check_stop_lines()
        write()
        self._watcher.check()
        opening = Opening(alternating=settings.get("type", "ac") == "ac" and source.role != "continuity_tester")
        power = Power(source, self._watcher, self._wiring, self._ceilings, opening, self._clock)
        self.voltage_possible = True  # before anyone is told, so that no screen says otherwise
        self.announce("energised", True)
        failure: BaseException | None = None
        try:
            self._close_contactor()
            self._switch_on(source, opening)
            self.announce("on", True)
            yield power
        except BaseException as error:
            failure = error
        if failure is not None and not opening.on and not isinstance(failure, LockedRed):
            self._retreat()
            raise failure
        try:
            self._leave(source, opening, residual_after, run_down, failure)
        except EolseqError as error:
            if failure is not None and not isinstance(error, LockedRed):
                raise failure from error
            raise
        power.after_off = opening.after_off
        if failure is not None:
            raise failure
        source.check_errors()  # an error while it was on spoils what it measured

    # -- on -----------------------------------------------------------------------------------------------------

    def _close_contactor(self) -> None:
        state = self._watcher.order("lock", "contactor_on")
        self._watcher.check()  # an opened guard neither locks nor lets the contactor close, and is no fault
        if not state.locked:
            raise StationFault("The guard did not lock.", "Call maintenance to check the guard lock.")
        if not state.contactor:
            raise StationFault("The contactor did not close.", "Call maintenance to check the contactor.")
        self._check_still_dead()
        self._watcher.check()

    def _check_still_dead(self) -> None:
        """The contactor is closed and nothing was switched on: a source that is stuck on shows here."""
        if self._wiring.residual is None:
            return
        seen = self._volts().base
        self._watcher.check()
        if seen is None:
            raise StationFault("The residual meter gives no reading, so dead could not be proved afterwards.",
                               "Call maintenance to check the residual meter.")
        if abs(float(seen)) >= DEAD_BELOW:
            raise LockedRed("There is voltage at the unit although no source was switched on.", _KEEP_AWAY)

    def _switch_on(self, source: Instrument, opening: Opening) -> None:
        opening.on = True  # from the moment the order may be on the wire
        source.perform("energise", permit=Permit(source.role))
        self._watcher.check()

    def _retreat(self) -> None:
        """Nothing was switched on yet: undo what the guard unit was asked for, as far as it still answers."""
        self._watcher.send_off()
        self._open_contactor([])
        with suppress(EolseqError):
            self._watcher.order("unlock")
        self.voltage_possible = False
        self.announce("making_safe", False)

    # -- off ----------------------------------------------------------------------------------------------------

    def _leave(self, source: Instrument, opening: Opening, after: Quantity | None, run_down: Quantity | None,
               failure: BaseException | None) -> None:
        """OFF, the unit's own volts, discharge, dead proved, contactor open, run-down, guard released, in this order.

        The contactor stays closed until dead is proved, so that a source that is stuck on is seen; after a failure
        it opens first, because then no proof is worth a moment's voltage.
        """
        self.announce("proving_dead" if failure is None else "making_safe", True)
        problems: list[str] = [str(failure)] if isinstance(failure, LockedRed) else []
        if failure is not None:
            self._watcher.send_off()
            self._open_contactor([])
        self._confirm_off(source, opening, problems)
        if after is not None and failure is None:
            self._wait(opening.off_at, float(after))
            opening.after_off = self._volts()
        self._prove_dead(opening, problems)
        self._open_contactor(problems)
        if run_down is not None:
            self._wait(opening.off_at, float(run_down))
        if problems:
            raise LockedRed(" ".join(problems), _KEEP_AWAY)
        if self._watcher.reason is not None:  # an error that OFF made in the middle of an order is not the next user's
            with suppress(InstrumentFault):
                source.check_errors()
        self._release()
        self.voltage_possible = False
        self.announce("guarded" if failure is None else "making_safe", False)

    def _confirm_off(self, source: Instrument, opening: Opening, problems: list[str]) -> None:
        """OFF, confirmed by the instrument's own word."""
        if opening.off_confirmed:
            return

        def off() -> bool:
            source.perform("off")
            return "on" not in source.perform("output").flags

        try:
            confirmed = self._insist(off)
        except InstrumentFault as error:
            problems.append(f"{source.name} did not confirm that its output is off: {error}")
        else:
            if not confirmed:
                problems.append(f"{source.name} still reports its output on after OFF.")
        opening.off_at = self._clock.monotonic()

    def _insist(self, action: Callable[[], bool]) -> bool:
        """Do it, and again when a trip or a broken line came in between; the last failure is raised."""
        for last in (False, False, True):
            self._watcher.allow_reads()
            try:
                return action()
            except InstrumentFault:
                if last:
                    raise
        return False

    def _open_contactor(self, problems: list[str]) -> None:
        try:
            if self._watcher.order("contactor_off").contactor:
                problems.append("The contactor did not open.")
        except EolseqError as error:
            problems.append(f"The contactor could not be shown to be open: {error}")

    def _prove_dead(self, opening: Opening, problems: list[str]) -> None:
        """Dead at the unit's terminals, by a meter that has shown in this step that it can see the voltage."""
        wiring = self._wiring
        if wiring.residual is None:
            self._wait(opening.off_at, wiring.access)
            return
        if not opening.seen:
            problems.append(f"The residual meter saw {opening.seen_peak:.0f} V while {opening.source_peak:.0f} V were "
                            f"put out; it cannot prove the unit dead. {opening.residual_fault}".strip())
            self._wait(opening.off_at, wiring.access)
        try:
            dead = self._discharged(wiring)
        except EolseqError as error:
            problems.append(str(error))
            return
        if not dead:
            problems.append("The unit could not be discharged.")

    def _discharged(self, wiring: Wiring) -> bool:
        put = wiring.discharge
        if put is None:
            return self._below(DEAD_BELOW)
        self._insist(lambda: put(True))
        dead = False
        for _ in range(DISCHARGE_TRIES):
            self._wait(self._clock.monotonic(), DISCHARGE_PAUSE)
            if self._below(DEAD_BELOW):
                dead = True
                break
        self._insist(lambda: put(False))
        return dead

    def _below(self, volts: float) -> bool:
        reading = self._volts()
        return reading.base is not None and abs(float(reading.base)) < volts

    def _volts(self) -> Reading:
        """The volts at the unit's terminals; a reading without a number if the meter does not answer."""
        meter = self._wiring.residual
        if meter is None:
            return Reading("volts at the unit", None, "V", special=NO_ANSWER)
        for _ in range(2):
            self._watcher.allow_reads()
            try:
                return meter.perform("measure").readings["volts_peak"]
            except InstrumentFault:
                continue
        return Reading("volts at the unit", None, "V", special=NO_ANSWER)

    def _release(self) -> None:
        state = self._watcher.order("unlock")
        if state.locked:
            raise LockedRed("The guard did not unlock.", "The unit is dead. Call maintenance to open the guard.")

    def _wait(self, since: float, seconds: float) -> None:
        """Wait so many seconds from a moment; nothing ends it, since the unit is being made safe."""
        left = since + seconds - self._clock.monotonic()
        if left > 0:
            self._watcher.tell_wait(since, seconds)
            self._clock.sleep(left)

    # -- for the verification of the guard unit -------------------------------------------------------------------

    def watchdog_drops(self, sources: list[Instrument]) -> bool:
        """Whether the watchdog opens the contactor by itself when the program's pulse is missed; nothing is on.

        StationFault while the guard is armed, for then a missed pulse is a trip; LockedRed if the bay is not dead.
        """
        if self._watcher.armed:
            raise StationFault("The watchdog cannot be tried while a unit is tested.", "Wait for the end of the run.")
        self.all_off(sources)
        try:
            if not self._watcher.order("lock", "contactor_on").contactor:
                raise StationFault("The contactor did not close, so that it cannot be seen to drop.",
                                   "Close the guard. If it is closed, call maintenance to check the contactor.")
            return not self._watcher.order(REST).contactor
        finally:
            self._open_contactor([])
            self._release()

    # -- before anything else -----------------------------------------------------------------------------------

    def all_off(self, sources: list[Instrument]) -> None:
        """Turn every output off and prove the bay dead, before anything is tested; LockedRed if that fails."""
        problems: list[str] = []
        for source in sources:
            opening = Opening()
            self._confirm_off(source, opening, problems)
        self._open_contactor(problems)
        self._prove_dead(Opening(off_at=self._clock.monotonic()), problems)
        if problems:
            raise LockedRed(" ".join(problems), _KEEP_AWAY)
        self._release()
        self.voltage_possible = False
        self._watcher.disarm()
