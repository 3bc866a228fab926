"""What channels know of before: from one drive to the next, and over a crash in mid-drive."""

from __future__ import annotations

import contextlib
import json
import math
import threading
from typing import TYPE_CHECKING

from cabcanary.clock import boot_id
from cabcanary.store.manifest import write_atomically

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from cabcanary.channels.pipeline import Kept, Pipeline
    from cabcanary.recorder.told_time import Told

#: How often it is written while it changes, ns of the clock: power mostly goes with the key, so the end of a drive may
#: be too late.
_EVERY_NS = 60_000_000_000
#: How often it is written which widebands are hot, ns of the clock; that folder lies in memory.
_HOT_EVERY_NS = 5_000_000_000
#: What is no change worth a write to the card, in the numbers' own unit (kPa, %).
_SAME = 0.05


class _Written:
    """A small file that is written in a thread: a card that stalls holds up nobody, and one that fails ends nothing."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._next_ns = 0
        self._writing: threading.Thread | None = None

    @property
    def _is_busy(self) -> bool:
        return self._writing is not None and self._writing.is_alive()

    def _begin(self, content: object) -> None:
        self._writing = threading.Thread(
            target=self._write, args=(json.dumps(content),), name=self._path.name, daemon=True
        )
        self._writing.start()

    def _write(self, content: str) -> None:
        with contextlib.suppress(OSError):
            write_atomically(self._path, content.encode())

    def wait(self, longest_s: float) -> None:
        """Until the last write is done, real seconds at most."""
        if self._writing is not None:
            self._writing.join(longest_s)


class ChannelMemory(_Written):
    """`remembered.json` in the daemon's folder: two numbers for each channel that learns (the air's pressure and its
    standard uncertainty, kPa; both ends of a throttle, %), and when that was, by the wall clock (null where nobody had
    set it)."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder / "remembered.json")
        self._kept: dict[str, Kept] = {}

    def recall(self, pipeline: Pipeline, told: Told) -> None:
        """Let the channels begin with what was kept. A file that is not there, or torn, is as if never written."""
        try:
            found = json.loads(self._path.read_bytes())
            kept = {str(n): (float(a), float(b)) for n, (a, b) in found["channels"].items()}
            wall_ns = None if found["wall_ns"] is None else int(float(found["wall_ns"]))
        except (OSError, ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError):
            return
        sound = {n: r for n, r in kept.items() if all(map(math.isfinite, r))}
        parked_s = (told.wall_ns - wall_ns) / 1e9 if told.by and wall_ns is not None else None
        pipeline.recall(sound, parked_s)

    def is_due(self, now_ns: int) -> bool:
        """Whether a minute has passed since it was last kept."""
        return now_ns >= self._next_ns

    def keep(self, known: dict[str, Kept], told: Told, now_ns: int) -> None:
        """Keep what is known, in a thread: a card that stalls holds up nobody."""
        self._next_ns = now_ns + _EVERY_NS
        if not known or _alike(known, self._kept) or self._is_busy:
            return
        self._kept = known
        self._begin({"channels": known, "wall_ns": told.wall_ns if told.by else None})


class HotMemory(_Written):
    """`hot` in the folder of running things: which widebands were hot, and when, by the daemon's clock.

    A daemon that is started anew in mid-drive would wait for their warm-up once more, and see no mixture meanwhile.
    Kept over a crash, and not over the computer's own start: nobody knows how long that took.
    """

    def __init__(self, run_folder: Path) -> None:
        super().__init__(run_folder / "hot")
        self._boot = boot_id()

    def recall(self, pipeline: Pipeline, now_ns: int) -> None:
        """Let the widebands begin with that. A file that is torn, or of another start, is as if never written."""
        try:
            found = json.loads(self._path.read_bytes())
            names, away_ns = [str(n) for n in found["hot"]], now_ns - int(found["time_ns"])
            # A machine that does not say which start this is cannot tell a crash from a new start.
            if self._boot and found["boot"] == self._boot:
                pipeline.begin_hot(names, away_ns, now_ns)
        except (OSError, ValueError, TypeError, KeyError, OverflowError, RecursionError):
            return

    def keep(self, pipeline: Pipeline, now_ns: int) -> None:
        """Every few seconds, keep what is so now, in a thread."""
        if now_ns < self._next_ns or self._is_busy:
            return
        self._next_ns = now_ns + _HOT_EVERY_NS
        self._begin({"boot": self._boot, "time_ns": now_ns, "hot": pipeline.hot()})

    def _write(self, content: str) -> None:
        # Without a sync: it need not outlive the power, and where that folder lies on a card it would wear it.
        with contextlib.suppress(OSError):
            self._path.write_text(content, encoding="ascii")


def _alike(known: Mapping[str, Kept], kept: Mapping[str, Kept]) -> bool:
    return known.keys() == kept.keys() and all(
        abs(a - b) < _SAME for name in known for a, b in zip(known[name], kept[name], strict=True)
    )
