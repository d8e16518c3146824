"""One unit through its sequence: gates, cautions, guard, steps, outcome, record.

The engine orders and protects; the watcher stops; the bands decide. Everything that happens is written to the log
before the next thing happens, and voltage is off before anything is written about it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from eolseq.bands.band import Outcome
from eolseq.bands.decision import Rule
from eolseq.clock import Clock
from eolseq.engine import events
from eolseq.engine.arrows import KEEP_CLEAR, Listen
from eolseq.engine.bench import RunBench
from eolseq.engine.cautions import STANDARD
from eolseq.engine.judging import SureOf, Verdict, judge_evidence, run_outcome
from eolseq.engine.recording import Bay, RunLog, RunRecord
from eolseq.engine.states import RunStates
from eolseq.engine.sureness import sure_of
from eolseq.errors import EolseqError, LinkAborted, Refused, StationFault, Stopped
from eolseq.guard.inputs import WATCHER_DEAD
from eolseq.guard.power import LockedRed
from eolseq.sequence.model import Sequence as TestSequence
from eolseq.serials import OF_THE_PROGRAM, reserved
from eolseq.steps.base import Evidence, Step

GUARD_WAIT = 60.0  # seconds for the guard to be seen open and then closed
_EVENT_AT = {"energised": "energise", "proving_dead": "take_off", "guarded": "prove", "making_safe": "make_safe"}
ENDS_ENERGISING = ("ground_continuity", "dielectric_withstand", "motor_current")  # no heat without a sound fan


Gate = Callable[[str], tuple[int, ...] | None]
"""Raises Refused when the unit of this serial may not be tested now; may give the entries that its test rests on."""

Acknowledge = Callable[[events.Cautions], str | None]
"""Shows the cautions and gives the operator who acknowledged them, or None."""


@dataclass(frozen=True)
class RunResult:
    """How a run ended; ``index`` is its last entry in the log, None when refused."""

    outcome: Outcome
    sentence: str
    serial: str
    attempt: int | None
    simulated: bool
    index: int | None
    steps: tuple[tuple[Step, Verdict], ...]
    trial: bool = False
    do: str = ""  # the part of the sentence that says what to do, where an error has one

    @property
    def released(self) -> bool:
        """Whether the unit may be labelled: a pass that is on record and no trial."""
        return self.outcome is Outcome.PASS and not self.trial and self.index is not None and not reserved(self.serial)


class UnitRun:
    """Takes one unit through a sequence on one bay."""

    def __init__(self, clock: Clock, sequence: TestSequence, bay: Bay, log: RunLog,
                 emit: Callable[[events.Event], None], acknowledge: Acknowledge, gates: Sequence[Gate] = (),
                 *, approval: int | None = None, trial: bool = False, reference: bool = False,
                 listen: Listen | None = None) -> None:
        self._clock = clock
        self._listen = listen  # None: no person can answer a question while the test runs
        self._sequence = sequence
        self._bay = bay
        self._emit = emit
        self._acknowledge = acknowledge
        self._gates = gates
        self._reference = reference
        self._trial = trial or (approval is None and not bay.simulated)  # what is not approved releases nothing
        self._told_trial = trial or (self._trial and not gates)  # a gate that refuses makes no trial of the run
        self._record = RunRecord(log, bay, sequence, approval, self._trial)
        self._states = RunStates()
        self._operator = ""
        self._attempt: int | None = None
        self._verdicts: list[Verdict] = []
        self._step: Step | None = None
        self._do = ""  # what to do about the error that ended a step
        self.crash: Exception | None = None

    # -- the whole ----------------------------------------------------------------------------------------------

    def run(self, serial: str) -> RunResult:
        """Test the unit; never raises for a bad product, a stop, a fault or a refusal."""
        bay = self._bay
        bay.door.announce = self._announce
        try:
            self._identify(serial)
            try:
                self._admit(serial)
                self._caution()
                self._wait_for_guard()
                self._record.begin(serial, self._operator)
            except Refused as error:
                return self._refused(serial, error)
            except StationFault as error:
                return self._fault_before(serial, error)
            self._fire("guard")
            self._run_steps(serial)
            return self._finish(serial)
        finally:
            if not bay.door.voltage_possible:  # else an opened guard must still send OFF
                bay.watcher.disarm()

    def _fire(self, event: str) -> None:
        self._states.fire(event)
        self._show()

    def _show(self) -> None:
        state = self._bay.watcher.inputs.last
        self._emit(events.SafetyState(self._states.state, self._bay.door.voltage_possible,
                                      state.red if state else None, state.green if state else None,
                                      state.locked if state else None))

    def _announce(self, where: str, voltage_possible: bool) -> None:
        """The door tells where it is; the table must agree."""
        if where == "making_safe" and self._states.state == "making_safe":
            self._show()
        elif where in _EVENT_AT:
            self._fire(_EVENT_AT[where])
        else:
            self._show()

    # -- before anything is energised ---------------------------------------------------------------------------

    def _identify(self, serial: str) -> None:
        sequence, bay = self._sequence, self._bay
        self._attempt = self._record.identify(serial)
        plan = tuple(events.StepPlan(s.kind, s.name, s.bands(), s.seconds()) for s in sequence.steps)
        self._emit(events.RunBegins(sequence.name, serial, bay.station, bay.name, bay.simulated, self._told_trial,
                                    self._attempt, plan))
        self._fire("identify")

    def _admit(self, serial: str) -> None:
        """Pass every gate, or be refused. A trip that came before the run, such as Ctrl-C, is a refusal too."""
        unit = self._sequence.unit
        if not unit.fits(serial):
            raise Refused(f"The serial {serial!r} does not belong to {', '.join(unit.models)}.",
                          "Scan the rating plate again, or take the sequence of this model.")
        if reserved(serial) and not self._reference:
            raise Refused(f"The serial {serial!r} is reserved for reference units, which are never released.",
                          "Show the station its reference units with: eolseq challenge.")
        for gate in self._gates:
            self._record.rests_on += gate(serial) or ()
        self._fire("admit")

    def _caution(self) -> None:
        cautions = events.Cautions(STANDARD, self._sequence.cautions)
        self._emit(cautions)
        operator = self._acknowledge(cautions)
        if not operator:
            raise Refused("The cautions were not acknowledged.", "Read them and enter your operator id.")
        self._operator = operator
        self._emit(events.Acknowledged(operator))
        self._fire("caution")

    def _wait_for_guard(self) -> None:
        """The guard must be seen open and then closed, which shows that its switch is not tied down."""
        watcher = self._bay.watcher
        deadline = self._clock.monotonic() + GUARD_WAIT
        self._emit(events.Instruction("Open the guard, connect the unit, close the guard."))
        if not watcher.wait_for(lambda s: s.open or watcher.seen_open, deadline - self._clock.monotonic()):
            self._guard_missing("was not seen open")
        self._emit(events.Instruction("Close the guard."))
        if not watcher.wait_for(lambda s: s.closed, deadline - self._clock.monotonic()):
            self._guard_missing("was not closed")
        watcher.arm()
        try:
            watcher.check()
        except Stopped as error:
            raise Refused(error.what, error.do) from error
        self._emit(KEEP_CLEAR)

    def _guard_missing(self, what: str) -> None:
        watcher = self._bay.watcher
        if watcher.reason is not None:
            reason = watcher.reason
            raise StationFault(reason.what, reason.do) if reason.fault else Refused(reason.what, reason.do)
        now = self._clock.monotonic()
        if not watcher.alive:
            raise StationFault(WATCHER_DEAD.what, WATCHER_DEAD.do)
        if not watcher.inputs.fresh(now):
            raise StationFault("The guard unit does not answer.", "Call maintenance to check it and its line.")
        if watcher.inputs.disagreeing(now):
            raise StationFault("The two guard contacts disagree.", "Call maintenance to check the guard switch.")
        raise Refused(f"The guard {what} within {GUARD_WAIT:.0f} s.", "Open and close the guard, then start again.")

    def _refused(self, serial: str, error: Refused) -> RunResult:
        self._fire("refuse")
        self._record.remark(serial, error)
        self._fire("release")
        self._emit(events.RunEnds(Outcome.REFUSED, str(error), None, None))
        return RunResult(Outcome.REFUSED, str(error), serial, None, self._bay.simulated, None,
                         self._not_reached(), self._told_trial, error.do)

    def _fault_before(self, serial: str, error: StationFault) -> RunResult:
        self._fire("refuse")
        self._record.remark(serial, error)
        self._fire("release")
        self._emit(events.RunEnds(Outcome.FAULT, str(error), None, None))
        return RunResult(Outcome.FAULT, str(error), serial, None, self._bay.simulated, None,
                         self._not_reached(), self._told_trial, error.do)

    def _not_reached(self) -> tuple[tuple[Step, Verdict], ...]:
        done = list(self._verdicts)
        done += [Verdict(Outcome.NOT_REACHED, "Not reached.")] * (len(self._sequence.steps) - len(done))
        return tuple(zip(self._sequence.steps, done, strict=True))

    # -- steps --------------------------------------------------------------------------------------------------

    def _run_steps(self, serial: str) -> None:
        bay = self._bay
        bench = RunBench(self._clock, bay.instruments, bay.channels, bay.watcher, bay.door, self._emit,
                         self._about_to_energise, bay.zeros, serial=serial, listen=self._listen)
        may_energise = True
        for index, step in enumerate(self._sequence.steps):
            if not may_energise and step.highest_volts() is not None:
                self._verdicts.append(Verdict(Outcome.NOT_REACHED, "Not reached: an earlier step forbids voltage."))
                continue
            if not self._one_step(index, step, bench):
                return
            if step.kind in ENDS_ENERGISING and self._verdicts[-1].outcome is not Outcome.PASS:
                may_energise = False

    def _one_step(self, index: int, step: Step, bench: RunBench) -> bool:
        """Run and judge one step; whether the run may go on."""
        self._step = step
        bench.begin(index)
        self._emit(events.StepBegins(index))
        ended: BaseException | None = None
        evidence = Evidence(())
        try:
            with self._bay.lease(step.roles(), self._waiting):
                evidence = step.run(bench)
            self._bay.watcher.check()
        except EolseqError as error:
            error.evidence = error.evidence or evidence
            ended = self._told_as_trip(error)
        except Exception as error:  # a mistake in the program: the door has made safe, the record must still say so
            ended = self.crash = error
        self._do = getattr(ended, "do", "")
        verdict = judge_evidence(evidence, self._sure(index, step)) if ended is None else \
            self._cut_short(index, step, ended)
        self._verdicts.append(verdict)
        self._record.readings(step, verdict)
        if isinstance(ended, LockedRed):
            self._record.lock(ended)
        self._emit(events.StepEnds(index, verdict.outcome, verdict.sentence, verdict.readings))
        return ended is None and self._record.fault is None

    def _waiting(self, sentence: str) -> None:
        """The bay is in line for instruments that another one has, or (no sentence) no longer."""
        self._emit(events.Instruction(sentence) if sentence else KEEP_CLEAR)

    def _told_as_trip(self, error: EolseqError) -> EolseqError:
        """An exchange that a trip ended is told as that trip, since only the watcher knows who stopped the run."""
        if isinstance(error, LinkAborted):
            try:
                self._bay.watcher.check()
            except EolseqError as reason:
                reason.evidence = error.evidence
                return reason
        return error

    def _sure(self, index: int, step: Step) -> SureOf:
        """How sure this step's readings are, by the sequence's decision rule, else the station's, else the usual."""
        rule = self._sequence.decision or self._bay.decision or Rule()
        return sure_of(step, rule, self._sequence.spread(index), self._bay.used)

    def _cut_short(self, index: int, step: Step, error: BaseException) -> Verdict:
        """A step that did not come to its end: a bad reading taken before stays bad, all else is not measured."""
        taken = getattr(error, "evidence", None)
        so_far = judge_evidence(taken if isinstance(taken, Evidence) else Evidence(()), self._sure(index, step))
        why = str(error) if isinstance(error, EolseqError) else \
            f"The program failed ({type(error).__name__}: {error}). Report this to whoever maintains the program."
        if so_far.outcome is Outcome.FAIL:
            return Verdict(Outcome.FAIL, f"{so_far.sentence} Then: {why}", so_far.readings, so_far.applied)
        outcome = Outcome.STOPPED if isinstance(error, Stopped) else Outcome.FAULT
        return Verdict(outcome, why, so_far.readings, so_far.applied)

    def _about_to_energise(self, source: str, settings: Mapping[str, Any]) -> None:
        if self._step is not None:
            self._record.energise(self._step, source, settings)

    # -- the end ------------------------------------------------------------------------------------------------

    def _finish(self, serial: str) -> RunResult:
        if self._states.state in ("energised", "proving_dead"):
            self._fire("make_safe")
        self._fire("judge")
        steps = self._not_reached()
        outcome = run_outcome([verdict.outcome for _, verdict in steps if verdict.outcome is not Outcome.NOT_REACHED])
        if outcome is Outcome.PASS and any(v.outcome is not Outcome.PASS for _, v in steps):
            outcome = Outcome.FAULT
        sentence = self._sentence(serial, outcome, steps) + self._lost_stop_lines()
        index = self._record.end(serial, outcome, sentence, steps)
        if self._record.fault is not None:
            outcome = Outcome.FAULT if outcome is not Outcome.FAIL else outcome
            sentence = f"{sentence} NOT RECORDED: {self._record.fault}"
        self._fire("record")
        self._fire("release")
        self._emit(events.RunEnds(outcome, sentence, str(getattr(self._record.log, "path", "")), index))
        do = self._do if self._do in sentence else ""
        return RunResult(outcome, sentence, serial, self._attempt, self._bay.simulated, index, steps, self._trial, do)

    def _lost_stop_lines(self) -> str:
        """What is added to the sentence when OFF did not go out by a stop line; dead was shown in other ways."""
        lost = self._bay.watcher.take_stop_failures()
        return (f" OFF could not be sent on the stop line of {', '.join(lost)}: call maintenance to check its line, "
                "and whether it takes a second connection (second_connection in its page).") if lost else ""

    def _sentence(self, serial: str, outcome: Outcome, steps: tuple[tuple[Step, Verdict], ...]) -> str:
        for step, verdict in steps:
            if verdict.outcome is outcome and outcome is not Outcome.PASS:
                return f"{step.name}: {verdict.sentence}"
        if self._trial:
            return "Every step passed, in a trial. This unit is NOT released: mark it and keep it apart."
        if serial in OF_THE_PROGRAM:
            return "Every step passed. No unit was tested."
        return f"Every step passed. Open the guard and take the {'reference ' if self._reference else ''}unit out."
