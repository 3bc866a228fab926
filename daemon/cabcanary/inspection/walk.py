"""Goes through the steps with a person, or with a file of answers; keeps everything at once."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from cabcanary.inspection import ranking
from cabcanary.inspection.evidence import Finding
from cabcanary.inspection.judging import note_next
from cabcanary.inspection.questions import NEXT, QuestionError
from cabcanary.inspection.steps import STEPS, Phase, Step

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.inspection.evidence import Evidence
    from cabcanary.inspection.questions import Question
    from cabcanary.inspection.record import Record
    from cabcanary.inspection.roles import Moment

#: After this step what the key-on minute showed is complete: the next measurements are asked.
_AFTER = "sensors"
_NOT_YET = "not before what has failed is mended and inspected again"
_NO_BRAKE = "not before somebody has tried the brake pedal"

HOW = """\
Enter: go on, or not known. s: skip this step. Ctrl-D: stop; all so far is kept, and the same command goes on.
"""


class StoppedError(Exception):
    """The person has had enough for now."""


class Eyes(Protocol):
    """What watches the vehicle's channels."""

    def watch(self, phase: Phase, seconds: float, until_enter: bool) -> list[Moment]:
        """The moments of so many seconds from now on; `until_enter`: or until the person presses Enter."""
        ...


class Walk:
    """One inspection. `ask` shows a prompt and returns a line (EOFError: stop); None: nobody is asked."""

    def __init__(
        self, record: Record, evidence: Evidence, eyes: Eyes, tell: Callable[[str], None],
        ask: Callable[[str], str] | None,
    ) -> None:  # fmt: skip
        self._record, self._e, self._eyes, self._tell, self._ask = record, evidence, eyes, tell, ask
        self._moments: list[Moment] = []
        self._told: list[str] = []

    def go(self) -> None:
        """All steps that have not been taken.

        Raises:
            StoppedError: the person stopped; what was seen is kept.
            OSError: it cannot be kept.
        """
        if self._ask:
            self._tell(HOW)
        try:
            self._steps()
        except StoppedError:
            self._record.keep(self._e)
            raise
        self._record.end(self._e)

    def _steps(self) -> None:
        for number, step in enumerate(STEPS, 1):
            if step.key in self._record.steps:
                continue
            self._tell(f"\n{number}. {step.title}\n   {step.do}")
            found = self._taken(step)
            for one in found:
                self._tell(f"   {one.verdict:8} {one.what}: {one.figure}{f' ({one.limit})' if one.limit else ''}")
            if step.key == _AFTER:
                self._next_measurements()
            self._record.put(step.key, found, self._e)
            if any(f.verdict == "fail" for f in found) or (step.key == _AFTER and self._record.failed):
                self._tell_causes()

    def _tell_causes(self) -> None:
        lines = ranking.lines(self._e)
        if lines != self._told:
            self._tell("\n".join(f"   {line}" for line in lines))
        self._told = lines

    def _taken(self, step: Step) -> list[Finding]:
        if step.drives and (self._record.failed or "servo" not in self._e.observed):
            why = _NOT_YET if self._record.failed else _NO_BRAKE
            return [Finding(step.title.lower(), "not driven", why, "skipped")]
        if step.watch and step.seconds:
            self._moments = []
        # The moments of a stop between two steps of one phase are gone: it is watched again.
        wanted = step.watch is not None and (step.seconds > 0 or not self._moments)
        if not wanted and not step.asks:
            return step.judge(self._e, self._moments)
        if wanted and self._ask is not None and self._line("   Enter when it is so") == "s":
            return step.judge(self._e, [])
        if wanted and step.watch is not None:
            seconds = step.seconds or next(s.seconds for s in STEPS if s.watch == step.watch and s.seconds)
            at_ease = step.drives and self._ask is not None
            self._tell("   watching; Enter when parked again" if at_ease else f"   watching for {seconds:.0f} s")
            self._moments = self._eyes.watch(step.watch, seconds, until_enter=at_ease)
        for question in step.asks:
            self._answer(question)
        return step.judge(self._e, self._moments if step.watch else [])

    def _next_measurements(self) -> None:
        asked = [question for question in NEXT if question.when(self._e)]
        for question in asked:
            self._answer(question)
        note_next(self._e, {question.key for question in asked})

    def _answer(self, question: Question) -> None:
        if question.key in self._e.answers or self._ask is None or not question.when(self._e):
            return
        while line := self._line(f"   {question.words}"):
            try:
                self._e.answers[question.key] = question.read(line)
            except QuestionError as error:
                self._tell(f"   {error}")
            else:
                return

    def _line(self, prompt: str) -> str:
        assert self._ask is not None
        try:
            return self._ask(f"{prompt} > ").strip()
        except EOFError:
            raise StoppedError from None
