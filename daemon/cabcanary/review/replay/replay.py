"""A recorded drive played again: its frames through rules and annunciator, in its own time or as fast as it goes.

A drive without dropped frames gives the alerts that were raised live, at the same ticks. What people did during it is
done again, and the rules start from where they stood.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from collections import deque
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from cabcanary.alerts import words
from cabcanary.alerts.annunciator import Annunciator
from cabcanary.clock import NS_PER_S
from cabcanary.model import Event, EventKind
from cabcanary.review.replay.recording import Step
from cabcanary.rules.states import ShelveError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from cabcanary.alerts.annunciator import Player
    from cabcanary.alerts.sounds import Sound
    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan
    from cabcanary.review.replay.recording import Playable
    from cabcanary.rules.engine import Change

#: How far the play may run ahead of its clock before it waits, real s: shorter waits are not worth a wake-up.
_AHEAD_S = 0.005
#: Played as fast as it goes, others (a key press, a player) have their turn this often, ticks.
_TURN_EVERY = 500


@dataclass(frozen=True, slots=True)
class Wanted:
    """How to play: `speed` times real time (None: as fast as it goes), from and to seconds of the drive."""

    speed: float | None = 1.0
    from_s: float = 0.0
    to_s: float | None = None


@dataclass(slots=True)
class Replayed:
    """The result of a replay. `recorded` are the live alerts within the ticks played; None if they are not known."""

    name: str
    ticks: int = 0
    first_ns: int = 0
    last_ns: int = 0
    lost_ticks: int = 0
    steps: list[Step] = field(default_factory=list)
    recorded: list[Step] | None = None

    @property
    def missing(self) -> list[Step]:
        """Recorded, and not come again."""
        return _without(self.recorded or [], self.steps)

    @property
    def new(self) -> list[Step]:
        """Come now, and not recorded."""
        return _without(self.steps, self.recorded or [])

    @property
    def same(self) -> bool | None:
        """Whether the very same changes came at the same ticks; None where there is nothing to hold them against."""
        return None if self.recorded is None else self.steps == self.recorded

    def seconds(self, time_ns: int) -> float:
        """A time as seconds of the drive."""
        return (time_ns - self.first_ns) / NS_PER_S

    def as_json(self) -> dict[str, Any]:
        """For a program to read."""

        def listed(steps: Iterable[Step]) -> list[dict[str, Any]]:
            return [{"t": s.time_ns, "s": round(self.seconds(s.time_ns), 6), **s._asdict()} for s in steps]

        return {
            "drive": self.name,
            "ticks": self.ticks,
            "length_s": round(self.seconds(self.last_ns), 3),
            "lost_ticks": self.lost_ticks,
            "alerts": listed(self.steps),
            "same": self.same,
            "missing": listed(self.missing) if self.recorded is not None else None,
            "new": listed(self.new) if self.recorded is not None else None,
        }


def _without(steps: Sequence[Step], others: Sequence[Step]) -> list[Step]:
    left = list(others)
    found = []
    for step in steps:
        if step in left:
            left.remove(step)
        else:
            found.append(step)
    return found


class Gate:
    """Stands before a player until the wanted part begins; then what should sound by now sounds."""

    def __init__(self, player: Player) -> None:
        self._player = player
        self._open = False
        self._standing: tuple[Sound, str] | None = None

    def play(self, sound: Sound, spoken: str) -> None:
        """Begin this sound, or remember it."""
        if self._open:
            self._player.play(sound, spoken)
        elif sound.repeats:
            self._standing = (sound, spoken)

    def silence(self) -> None:
        """Stop."""
        self._standing = None
        if self._open:
            self._player.silence()

    def let_through(self) -> None:
        """The wanted part begins."""
        if not self._open:
            self._open = True
            if self._standing is not None:
                self._player.play(*self._standing)


async def play(
    drive: Playable,
    plan: Plan,
    wanted: Wanted,
    players: Sequence[Player] = (),
    tell: Callable[[Event, float], None] = lambda *_: None,
    passed: Callable[[float], None] = lambda _: None,
) -> Replayed:
    """Play a drive through the rules of a plan. `tell` gets every event with its second of the drive, `passed` each
    tick's second as it is played."""
    return await _Play(drive, plan, wanted, players, tell, passed).run()


class _Play:
    def __init__(
        self,
        drive: Playable,
        plan: Plan,
        wanted: Wanted,
        players: Sequence[Player],
        tell: Callable[[Event, float], None],
        passed: Callable[[float], None],
    ) -> None:
        self._drive, self._wanted, self._tell, self._passed = drive, wanted, tell, passed
        self._plan = plan
        self._engine = plan.engine()
        self._engine.restore(drive.rules_state)
        self._gates = [Gate(p) for p in players]
        self._annunciator = Annunciator(self._gates)
        self._actions = deque(drive.actions())
        self._result = Replayed(drive.name, lost_ticks=drive.lost_ticks)
        self._began: float | None = None

    async def run(self) -> Replayed:
        result = self._result
        for frame in self._drive.frames(self._plan):
            if not result.ticks:
                result.first_ns = frame.time_ns
            at_s = result.seconds(frame.time_ns)
            if self._wanted.to_s is not None and at_s > self._wanted.to_s:
                break
            if at_s >= self._wanted.from_s:
                await self._in_time(at_s)
            elif result.ticks % _TURN_EVERY == 0:
                await asyncio.sleep(0)
            self._step(frame)
            result.ticks += 1
            result.last_ns = frame.time_ns
            self._passed(at_s)
        recorded = self._drive.recorded()
        if recorded is not None:
            result.recorded = [s for s in recorded if result.first_ns <= s.time_ns <= result.last_ns]
        return result

    async def _in_time(self, at_s: float) -> None:
        """Wait until this second of the drive is due."""
        for gate in self._gates:
            gate.let_through()
        speed = self._wanted.speed
        if speed is None:
            if self._result.ticks % _TURN_EVERY == 0:
                await asyncio.sleep(0)
            return
        now = time.monotonic()
        if self._began is None:
            self._began = now - at_s / speed
        ahead = self._began + at_s / speed - now
        if ahead > _AHEAD_S:
            await asyncio.sleep(ahead)

    def _step(self, frame: Frame) -> None:
        while self._actions and self._actions[0].time_ns <= frame.time_ns:
            self._act()
        changes = self._engine.step(frame)
        self._take(changes, frame.time_ns)

    def _act(self) -> None:
        """What a person did just here."""
        action = self._actions.popleft()
        changes: list[Change] = []
        if action.what == "acknowledge":
            changes = self._engine.acknowledge(action.time_ns)
            text = f"{len(changes)} alert(s) acknowledged"
            self._say(Event(action.time_ns, EventKind.ACKNOWLEDGE, "recorded", text))
        else:
            with contextlib.suppress(ShelveError):
                if action.what == "shelve":
                    changes = self._engine.shelve(action.alert, action.for_ns, action.time_ns, one_shot=action.one_shot)
                else:
                    changes = self._engine.unshelve(action.alert, action.time_ns)
        self._take(changes, action.time_ns)

    def _take(self, changes: Sequence[Change], now_ns: int) -> None:
        for change in changes:
            self._result.steps.append(Step(change.time_ns, change.alert, change.state))
            self._say(words.alert_event(change))
        for event in self._annunciator.update(changes, now_ns):
            self._say(event)

    def _say(self, event: Event) -> None:
        self._tell(event, self._result.seconds(event.time_ns))


def report_lines(result: Replayed, *, other_rules: bool) -> list[str]:
    """The end of a replay, for a person."""
    lines = [f"{result.name}: {result.seconds(result.last_ns):.1f} s, {result.ticks} ticks"]
    if result.lost_ticks:
        lines.append(f"{result.lost_ticks} ticks of it were lost when it was recorded: alerts may differ there")
    if result.recorded is None:
        return [*lines, f"{len(result.steps)} changes of alerts; it holds none from live to hold them against"]
    if result.same:
        return [*lines, f"the same {len(result.steps)} changes of alerts as live, at the same ticks"]
    then, now = ("then only", "now only") if other_rules else ("MISSING", "NEW")
    lines.append(f"{len(result.steps)} changes of alerts, {len(result.recorded)} live; they differ:")
    both = [(s, then) for s in result.missing] + [(s, now) for s in result.new]
    lines += [f"  {result.seconds(s.time_ns):9.2f} s  {word:<9}  {s.alert}: {s.state}" for s, word in sorted(both)]
    return lines


def json_text(result: Replayed) -> str:
    """The result as JSON text."""
    return json.dumps(result.as_json(), ensure_ascii=False, indent=1)
