"""What every output in the cab promises: slow, dead, full, cancelled, restarted."""

from __future__ import annotations

import asyncio
import contextlib
import time
from abc import ABC, abstractmethod
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.alerts.sounds import CAUTION, WARNING
from cabcanary.clock import Clock

if TYPE_CHECKING:
    from collections.abc import Callable

#: Real seconds after which a wait has failed.
PATIENCE_S = 30.0
#: More than any drive asks of an output in an hour.
MANY = 10_000


async def until(condition: Callable[[], Any], what: str) -> None:
    ends = time.monotonic() + PATIENCE_S
    while not condition():
        assert time.monotonic() < ends, f"waited in vain for {what}"
        await asyncio.sleep(0.01)


class OutputRig(ABC):
    """One output with its far end. `player` is the output as the annunciator has it."""

    #: What this output holds at most while its far end does not take anything.
    most_held = 0

    def __init__(self, folder: Path) -> None:
        self.folder, self.clock = folder, Clock()
        self.player: Any = None

    @abstractmethod
    async def open(self) -> None:
        """Make the output ready."""

    async def close(self) -> None:
        """Close the output, as the daemon does."""
        self.player.close()

    @abstractmethod
    def heard(self) -> str | None:
        """What comes out now: a sound's name, or None for silence."""

    def hold(self) -> None:
        """The far end takes nothing any more."""

    def release(self) -> None:
        """It does again."""

    def held(self) -> int:
        """How much waits for the far end."""
        return 0

    @abstractmethod
    def die(self) -> None:
        """The far end is gone."""

    def revive(self) -> None:
        """It is back."""

    def left(self) -> list[str]:
        """What is left of it after `close`: timers, threads, processes."""
        loop: Any = asyncio.get_running_loop()
        return [repr(h) for h in loop._scheduled if not h.cancelled() and "cabcanary" in repr(h)]


class OutputContract:
    """Subclass it, with a fixture `rig`."""

    async def test_a_sound_is_heard_until_it_is_silenced(self, rig: OutputRig) -> None:
        await rig.open()
        rig.player.play(WARNING, "Lift off gently.")
        await until(lambda: rig.heard() == "warning", "the warning")
        rig.player.silence()
        await until(lambda: rig.heard() is None, "silence")
        await rig.close()

    async def test_a_worse_sound_takes_the_place_of_what_sounds(self, rig: OutputRig) -> None:
        await rig.open()
        rig.player.play(CAUTION, "")
        await until(lambda: rig.heard() == "caution", "the caution")
        rig.player.play(WARNING, "")
        await until(lambda: rig.heard() == "warning", "the warning")
        await rig.close()

    async def test_slow_it_is_not_waited_for_and_the_newest_is_heard_in_the_end(self, rig: OutputRig) -> None:
        await rig.open()
        rig.player.play(CAUTION, "")
        await until(lambda: rig.heard() == "caution", "the caution")
        rig.hold()
        # If this waited for the far end, the test would not get past it: nobody releases it before.
        rig.player.play(WARNING, "")
        rig.release()
        await until(lambda: rig.heard() == "warning", "the warning")
        await rig.close()

    async def test_dead_it_harms_nobody_and_sounds_again_when_it_is_back(self, rig: OutputRig) -> None:
        await rig.open()
        rig.player.play(WARNING, "")
        await until(lambda: rig.heard() == "warning", "the warning")
        rig.die()
        for _ in range(20):
            # The annunciator takes any error as the output's own, and goes on with the others.
            with contextlib.suppress(Exception):
                rig.player.play(WARNING, "")
            await asyncio.sleep(0.01)
        rig.revive()
        rig.player.play(WARNING, "")
        await until(lambda: rig.heard() == "warning", "the warning after it came back")
        await rig.close()

    async def test_full_it_holds_no_more_than_its_bound_and_the_newest_is_heard(self, rig: OutputRig) -> None:
        await rig.open()
        rig.hold()
        for n in range(MANY):
            rig.player.play(CAUTION if n % 2 else WARNING, "Stay off boost.")
        rig.player.play(WARNING, "")
        assert rig.held() <= rig.most_held
        rig.release()
        await until(lambda: rig.heard() == "warning", "the newest")
        await rig.close()

    async def test_cancelled_in_the_middle_it_is_silent_and_nothing_of_it_is_left(self, rig: OutputRig) -> None:
        await rig.open()
        rig.player.play(WARNING, "")
        await until(lambda: rig.heard() == "warning", "the warning")
        await rig.close()
        await until(lambda: rig.heard() is None, "silence")
        await until(lambda: not rig.left(), "the end of all of it")
        await rig.close()

    async def test_restarted_it_plays_again(self, rig: OutputRig) -> None:
        for _ in range(3):
            await rig.open()
            rig.player.play(WARNING, "")
            await until(lambda: rig.heard() == "warning", "the warning")
            await rig.close()
            await until(lambda: rig.heard() is None, "silence")
