"""The station's own checks within a shift: which are due, and performing them with the station open as it is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from eolseq.clock import Clock
from eolseq.commands.covering import history_of
from eolseq.commands.unitless import KNOWN_LOADS, without_unit
from eolseq.commands.wiring import Order
from eolseq.engine.events import Cautions
from eolseq.engine.recording import Bay
from eolseq.engine.run import RunResult, UnitRun
from eolseq.errors import Refused
from eolseq.guard.power import LockedRed
from eolseq.line.around import Due, Tell
from eolseq.line.crew import Hazard
from eolseq.quantity import counted
from eolseq.records.entries import Lock
from eolseq.records.log import Log
from eolseq.sequence.model import Sequence
from eolseq.station.checks import Reference
from eolseq.station.open import OpenStation
from eolseq.station.shown import verifiable
from eolseq.verification.bench import Verifier
from eolseq.verification.standing import Present, Reason, challenge_reasons, made_with, owing, reasons

if TYPE_CHECKING:
    from eolseq.commands.challenge import References


class StationChecks:
    """Verification and challenge of one open station."""

    def __init__(self, clock: Clock, opened: OpenStation, pages: Mapping[str, Any], log: Log,
                 sequences: tuple[Sequence, ...], bay: Bay, order: Order | None) -> None:
        self._clock, self._opened, self._pages, self._log = clock, opened, pages, log
        self._sequences, self._bay, self._order = sequences, bay, order
        self._here = opened.of_several(bay.name)
        self._known: tuple[tuple[int, str], list[Due]] = ((-1, ""), [])
        self.last = ""  # the name of the sequence of the unit that was scanned last

    def due(self) -> list[Due]:
        """Every check that does not stand now; looked up anew when the log grew or a minute has gone by."""
        if self._opened.station.checks is None:
            return []
        at = (self._log.size, f"{self._clock.now():%Y-%m-%d %H:%M}")
        if at != self._known[0]:
            self._known = (at, self._due())
        return self._known[1]

    def _due(self) -> list[Due]:
        past = history_of(self._log, simulated=bool(self._opened.station.simulated))
        each = [reasons(present, past) for present in self._presents()]
        found = dict.fromkeys(reason for reasons in each for reason in reasons if not reason.own)
        if all(any(reason.own for reason in reasons) for reasons in each):  # no unit of any model can be tested
            found.update(dict.fromkeys(reason for reasons in each for reason in reasons if reason.own))
        return [self._as_due(reason) for reason in found]

    def _presents(self) -> list[Present]:
        """The station as it is now, for each sequence of the shift."""
        from eolseq.commands.covering import present_of

        found = (present_of(each, self._opened, self._pages, self._log, self._clock.now(), self._here)
                 for each in self._sequences)
        return [each for each in found if each is not None]

    def before_end(self) -> str:
        """That units were tested since the last challenge, where a shift must end with one; else empty."""
        if self._log.locked() is not None:
            return ""
        past = history_of(self._log, simulated=bool(self._opened.station.simulated))
        for present in self._presents():
            units = owing(present, past)
            if units:
                with_it = f" with {present.covering.name}" if present.covering.name else ""
                return f"{counted(units, 'unit')} tested since the last challenge{with_it}, and this shift must end " \
                       "with one."
        return ""

    def _as_due(self, reason: Reason) -> Due:
        if "eolseq challenge" in reason.do:
            return Due(reason.what, reason.do, "challenge")
        if "eolseq verify" not in reason.do:
            return Due(reason.what, reason.do)
        if self._opened.station.simulated:
            return Due(reason.what, reason.do, "verify")
        return Due(reason.what, f"Maintenance signs it: end the shift (=end), then: {reason.do}")

    def hazard_of(self, check: str) -> Hazard:
        """What a check may do to a person; Refused when it cannot be performed from here."""
        return Hazard.of(self._verified_plan() if check == "verify" else self._reference().sequence)

    def carry_out(self, what: str, operator: str, tell: Tell) -> str:
        """Perform a check in the operator's name; what was found, in a sentence."""
        try:
            return self._verify(operator, tell) if what == "verify" else self._challenge(operator, tell)
        except LockedRed as error:
            self._log.append(Lock(reason=error.what, do=error.do))
            raise

    # -- verification -------------------------------------------------------------------------------------------

    def _verified_plan(self) -> Sequence:
        if not self._opened.station.simulated:
            raise Refused("What is verified on a real station is signed by maintenance.",
                          "End the shift (=end); maintenance then runs: eolseq verify --all.")
        return self._verifier("", lambda _: None).plan(self._verifiable()).plan

    def _verifiable(self) -> tuple[str, ...]:
        players = self._opened.bay(self._bay.name).players
        return tuple(each.name for each in self._opened.station.instruments
                     if each.name in players and verifiable(self._opened.station, players[each.name].role))

    def _verifier(self, operator: str, tell: Tell) -> Verifier:
        from eolseq.commands.approving import FilesGate
        from eolseq.commands.references import references_of
        from eolseq.commands.verify import asker, simulated_loads

        gate = FilesGate(self._opened.station, self._pages, self._log, self._clock.now().date())
        return Verifier(self._clock, self._opened, self._pages, self._bay, self._log,
                        without_unit(KNOWN_LOADS, tell), lambda _: operator, asker(self._order, tell), (gate,),
                        simulated=simulated_loads(self._opened.station), emit_unit=tell,
                        references=references_of(self._opened.station, self._order))

    def _verify(self, operator: str, tell: Tell) -> str:
        from eolseq.commands.run import counters_after
        from eolseq.commands.verify import record_results

        if self._order is not None:
            self._order({"load": {"serial": self._empty_serial()}, "closes_by_itself": True})
        found = self._verifier(operator, tell).verify(self._verifiable())
        record_results(self._log, self._opened.station, found, self._opened.identities, self._pages, None,
                       counters_after(self._opened))
        if found.crash is not None:
            raise found.crash
        bad = [f"{each.instrument}: {each.sentence}" for each in found.results if str(each.outcome) != "pass"]
        if not found.results or bad:
            why = " ".join(bad) or (found.run.sentence if found.run is not None else "")
            raise Refused(f"Not verified. {why}", "Call maintenance; units are refused until it is.")
        return f"All {len(found.results)} instruments held against their known loads."

    def _empty_serial(self) -> str:
        """The serial of the unit that a simulated bay holds while known loads are in its place."""
        from eolseq.shipped import find
        from eolseq.simulation.file import load_simulator

        return load_simulator(find(self._opened.station.simulated, shipped=True)).serial

    # -- challenge ----------------------------------------------------------------------------------------------

    def _reference(self) -> References:
        """The challenge that is wanted now: that of the last unit's sequence if it is due or the shift must end with
        it, else the first with which it must, else the first that is due."""
        from eolseq.commands.challenge import references_of
        from eolseq.commands.covering import covering_of, listed_challenges

        station = self._opened.station
        if station.challenges is None:
            raise Refused(f"{station.name} names no reference units.", "Have 'challenges' added to the station file.")
        past = history_of(self._log, simulated=bool(station.simulated))
        presents = self._presents()
        due = {each.sequence_name for each in presents if challenge_reasons(each, past)[1]}
        ends = {each.sequence_name for each in presents if owing(each, past)}
        wanted = sorted(self._sequences, key=lambda each: (
            each.name != self.last or each.name not in due | ends, each.name not in ends, each.name not in due))
        listed = listed_challenges(station)
        present = next((each for each in presents if each.sequence_name == wanted[0].name), None)
        name = covering_of(station, wanted[0]).made_with if present is None else made_with(present, past)
        chosen = next((each for each in listed if each.name == name), listed[0])
        return references_of(station, chosen.challenge, self._pages)

    def _challenge(self, operator: str, tell: Tell) -> str:
        from eolseq.commands.challenge import gates_of_challenge, late_words, record, show_all
        from eolseq.verification.challenge import serial_of

        station, wanted = self._opened.station, self._reference()
        challenge, sequence = wanted
        gates, approval = gates_of_challenge(sequence, self._opened, self._pages, self._log, self._clock,
                                             self._bay.name)

        def acknowledge(_: Cautions) -> str | None:
            return operator

        def test(reference: Reference) -> RunResult:
            unit = UnitRun(self._clock, sequence, self._bay, self._log, tell, acknowledge, gates, approval=approval,
                           reference=True)
            result = unit.run(serial_of(reference))
            if unit.crash is not None:
                raise unit.crash
            return result

        if self._order is not None:
            self._order({"closes_by_itself": True})
        shown, ended = show_all(station, wanted, self._order, tell, test)
        if ended is not None:
            raise Refused(f"Not challenged to the end. {ended.sentence}", "Begin it again: =challenge.")
        if self._order is not None:
            self._order({"clear_faults": True})
        record(self._log, station, challenge, sequence, self._pages, shown, operator, bay=self._bay.name,
               late=late_words(sequence, self._opened, self._pages, self._log, self._clock.now(), self._bay.name))
        missed = [each.name for each in shown if each.outcome != "caught"]
        if missed:
            raise Refused(f"The station missed {', '.join(missed)} and is locked.",
                          "Call maintenance; the suspects are listed by: eolseq suspects.")
        return f"All {len(shown)} reference units were caught."
