"""What a person is told of the settings in force: at the start, and when others are taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary import __version__
from cabcanary.alerts import sounds
from cabcanary.model import LIMITS_NOT_CONFIRMED, NOT_WATCHED, Event, EventKind, Priority
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    import asyncio
    from collections.abc import Callable, Iterator

    from cabcanary.alerts.annunciator import Annunciator
    from cabcanary.clock import Clock
    from cabcanary.plan.plan import Plan


def start_lines(plan: Plan, speed: float) -> Iterator[str]:
    """For the log: who watches what, and what it does without."""
    yield f"cabcanary {__version__} watches {plan.settings.vehicle.name}, stage: {plan.settings.vehicle.stage}"
    yield "This is a monitor, not protection: it warns, and it cannot stop the engine from being damaged."
    if speed != 1.0:
        yield f"BENCH: the clock runs {spelt(speed)} times as fast as real time"
    if plan.baselines_fault:
        yield f"WITHOUT BASELINES: {plan.baselines_fault}"
    for rule in plan.not_fitted:
        yield f"not fitted: rule {rule.id} {rule.words}"
    yield from (*plan.defect_lines(), *plan.stage_lines())


class InForce:
    """Tells coverage and notices. `tell` shows, publishes and records an event."""

    def __init__(
        self, clock: Clock, annunciator: Annunciator, tell: Callable[[Event], None], loop: asyncio.AbstractEventLoop
    ) -> None:
        self._clock, self._annunciator, self._tell, self._loop = clock, annunciator, tell, loop

    def coverage(self, plan: Plan) -> None:
        """What this vehicle is watched for."""
        data = {"coverage": plan.coverage.as_json()}
        self._tell(Event(self._clock.now_ns(), EventKind.MONITOR, "coverage", plan.coverage.line, data))

    def notices(self, plan: Plan) -> None:
        """Cautions for as long as the settings are as they are."""
        if plan.coverage.gaps:
            self._notice(NOT_WATCHED, plan.coverage.gap_line)
        if not plan.settings.limits.confirmed_by:
            text = "Limits are examples. Have a qualified tuner confirm them, then set limits.confirmed_by."
            self._notice(LIMITS_NOT_CONFIRMED, text)

    def _notice(self, what: str, text: str) -> None:
        data = {"priority": Priority.CAUTION.word, "raised": True, "active": False, "blind": False}
        self._tell(Event(self._clock.now_ns(), EventKind.ALERT, what, text, data))
        # After the start-up sound has been heard out.
        self._loop.call_later(self._clock.real_s(sounds.START_UP.seconds + 0.5), self._sound, what)

    def _sound(self, what: str) -> None:
        event = self._annunciator.notice(sounds.CAUTION, what, self._clock.now_ns())
        if event is not None:
            self._tell(event)
