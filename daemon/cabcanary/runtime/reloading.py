"""New settings while the daemon watches: read and checked beside it, then taken between two ticks, or left alone."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from cabcanary.model import SETTINGS_REFUSED, Event, EventKind
from cabcanary.plan.loading import NotLoadedError, load_elsewhere
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from cabcanary.channels.pipeline import Pipeline
    from cabcanary.clock import Clock
    from cabcanary.plan.plan import Plan
    from cabcanary.rules.engine import Change, Engine

#: How long reading the settings may take, real seconds.
_LONGEST_S = 50.0
#: What is opened once, at the start: sockets, pins, ports, processes.
_OPENED = ("daemon", "sources", "buttons", "buzzer", "lamp", "sound_card", "terminal", "watcher", "mqtt")


def opened_anew(before: Plan, new: Plan) -> list[str]:
    """The parts of the settings that differ and take a restart."""

    def found() -> Iterator[str]:
        for name in _OPENED:
            if getattr(before.settings, name) != getattr(new.settings, name):
                yield name
        if before.settings.sources == new.settings.sources:
            for name in new.settings.sources:
                if before.wanted_items(name) != new.wanted_items(name):
                    yield f"what is read from sources.{name}"

    return list(found())


def same_parts(before: Plan, new: Plan) -> list[str]:
    """The parts of the pipeline that are as they were: channels, and checks between them."""
    old, settings = before.settings, new.settings
    same = [n for n, spec in settings.channels.items() if old.channels.get(n) == spec]
    return same + [f"check {n}" for n, spec in settings.checks.items() if old.checks.get(n) == spec]


def taken_over(
    before: Plan, new: Plan, pipeline: Pipeline, engine: Engine, now_ns: int
) -> tuple[Pipeline, Engine, list[Change]]:
    """Channels and rules of a new plan that go on where those before are, and the end of every alert that is gone."""
    channels, rules = new.pipeline(), new.engine()
    channels.take_over(pipeline, same_parts(before, new))
    return channels, rules, rules.take_over(engine, now_ns)


class Reloading:
    """One at a time. `take` puts a plan in force, in the loop's thread, between two ticks."""

    def __init__(self, clock: Clock, tell: Callable[[Event], None], take: Callable[[Plan], None]) -> None:
        self._clock, self._tell, self._take = clock, tell, take
        self._under_way: asyncio.Task[None] | None = None

    def ask(self, plan: Plan) -> bool:
        """Begin, for the settings file of the plan in force; False where it is under way already."""
        if self._under_way is not None and not self._under_way.done():
            return False
        self._under_way = asyncio.get_running_loop().create_task(self._run(plan))
        return True

    async def _run(self, plan: Plan) -> None:
        try:
            async with asyncio.timeout(_LONGEST_S):
                new = await load_elsewhere(plan.file)
        except NotLoadedError as error:
            self._refuse(str(error))
            return
        except TimeoutError:
            self._refuse(f"they were not read within {spelt(_LONGEST_S)} s: the card does not answer; try again")
            return
        parts = opened_anew(plan, new)
        if parts:
            self._refuse(f"these are opened at the start only: {', '.join(parts)}; restart the daemon, parked")
            return
        try:
            self._take(new)
        except Exception as error:  # noqa: BLE001 - a fault of our own must be told: a person waits for the answer
            self._refuse(f"a fault in taking them, {type(error).__name__}: {error}; please report it, and start again")

    def _refuse(self, why: str) -> None:
        text = f"the settings stay as they were: {why}"
        self._tell(Event(self._clock.now_ns(), EventKind.MONITOR, SETTINGS_REFUSED, text, {"ok": False}))
