"""Voltages through the Linux IIO tree, read by threads of their own.

Arithmetic as in the kernel's Documentation/ABI/testing/sysfs-bus-iio: millivolts = (raw + offset) * scale,
the scale per channel or shared, a missing offset 0. The device is found by its `name` or `label`, because
its number changes from boot to boot.

A thread reads all channels of the device in turn. When one read hangs (a converter that holds its bus),
that channel is left to the hung thread and a new thread goes on with the others, so a blocked file costs
its own channel and nothing else.
"""

from __future__ import annotations

import os
import random
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from cabcanary.model import Quality, Reading
from cabcanary.sources.slot import Backoff, Slots, Status

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from cabcanary.clock import Clock
    from cabcanary.settings.schema import IioSource

#: A sysfs value is a short number; more than this is not one.
_LONGEST_VALUE = 32
#: How often a supervising look is taken at the reader threads, in clock seconds.
_WATCH_S = 0.05


class IioError(OSError):
    """The tree does not hold what the settings ask for; the message says what it does hold."""


def millivolts(raw: float, scale: float, offset: float = 0.0) -> float:
    """(raw + offset) * scale, as the kernel's ABI defines it."""
    return (raw + offset) * scale


def find_device(folder: Path, wanted: str) -> Path:
    """The device folder whose `label` or `name` is `wanted`.

    Raises:
        IioError: none is.
    """
    seen = []
    for device in sorted(folder.glob("iio:device*")):
        for key in ("label", "name"):
            try:
                text = _read_small(device / key)
            except OSError:
                continue
            if text == wanted:
                return device
            seen.append(text)
    there = f"it holds {', '.join(sorted(set(seen)))}" if seen else "it holds no device"
    raise IioError(f"no IIO device named '{wanted}' under {folder}; {there}")


def _read_small(path: Path) -> str:
    # Never hang on the way to a device: names and scales are plain files.
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        return os.read(descriptor, 256).decode(errors="replace").strip()
    finally:
        os.close(descriptor)


@dataclass
class _Channel:
    item: str
    path: Path
    scale: float
    offset: float
    descriptor: int | None = None


@dataclass
class _Work:
    """What one thread is busy with; the watcher takes channels away from a hung one."""

    channels: list[_Channel]
    busy: _Channel | None = None
    since_ns: int = 0
    ended: threading.Event = field(default_factory=threading.Event)


class IioReader:
    """Reads the wanted `items` (such as "voltage0") of one device into the slots."""

    def __init__(
        self, name: str, spec: IioSource, items: Sequence[str], clock: Clock, slots: Slots, status: Status
    ) -> None:
        self.name, self._spec, self._items = name, spec, tuple(items)
        self._clock, self._slots, self._status = clock, slots, status
        self._stop = threading.Event()
        self._period_ns = int(1e9 / spec.rate_hz)
        self._hung_ns = int(spec.hung_after * 1e9)

    def start(self) -> None:
        """Begin reading; opening, too, happens in the thread."""
        threading.Thread(target=self._watch, name=f"{self.name}-watch", daemon=True).start()

    def stop(self) -> None:
        """Stop without waiting: a hung thread is a daemon thread and dies with the process."""
        self._stop.set()

    # --- the watcher ----------------------------------------------------------------------------------

    def _watch(self) -> None:
        backoff = Backoff()
        while not self._stop.is_set():
            try:
                device = find_device(self._spec.folder, self._spec.device)
                channels = [self._channel(device, item) for item in self._items]
            except (OSError, ValueError) as error:
                self._fail(str(error), self._items)
                self._stop.wait(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret
                continue
            backoff.reset()
            self._status.good(f"reading {', '.join(self._items)} of {device.name}")
            self._supervise(channels)

    def _channel(self, device: Path, item: str) -> _Channel:
        raw = device / f"in_{item}_raw"
        if not raw.exists():
            there = sorted(p.name[3:-4] for p in device.glob("in_*_raw"))
            raise IioError(f"{self._spec.device} has no '{item}'; it has {', '.join(there) or 'none'}")
        kind = item.rstrip("0123456789").partition("-")[0].rstrip("0123456789")
        scale = _number(device / f"in_{item}_scale", _number(device / f"in_{kind}_scale", 1.0))
        offset = _number(device / f"in_{item}_offset", _number(device / f"in_{kind}_offset", 0.0))
        return _Channel(item, raw, scale, offset)

    def _supervise(self, channels: list[_Channel]) -> None:
        """Run reader threads until the device is lost; split a hung one."""
        works = [self._launch(channels)]
        while not self._stop.wait(self._clock.real_s(_WATCH_S)):
            now = self._clock.now_ns()
            for work in list(works):
                busy = work.busy
                if busy and now - work.since_ns > self._hung_ns and len(work.channels) > 1:
                    others = [c for c in work.channels if c is not busy]
                    work.channels = [busy]
                    works.append(self._launch(others))
                    self._status.bad(f"{busy.item} does not answer; the other channels go on")
            if all(w.ended.is_set() for w in works):
                return

    def _launch(self, channels: list[_Channel]) -> _Work:
        work = _Work(list(channels))
        threading.Thread(target=self._read_all, args=(work,), name=f"{self.name}-read", daemon=True).start()
        return work

    # --- a reader -------------------------------------------------------------------------------------

    def _read_all(self, work: _Work) -> None:
        """Read the work's channels at the wanted rate until one is lost; then the watcher opens all anew."""
        due = self._clock.now_ns()
        failures = 0
        try:
            while not self._stop.is_set() and failures < 3:
                # A channel may be taken away while this thread hangs in another: look at the list each time.
                for channel in list(work.channels):
                    if channel not in work.channels:
                        continue
                    failures = 0 if self._read_one(work, channel) else failures + 1
                due = max(due + self._period_ns, self._clock.now_ns() - self._period_ns)
                self._stop.wait(self._clock.real_until(due))
        finally:
            for channel in work.channels:
                if channel.descriptor is not None:
                    os.close(channel.descriptor)
                    channel.descriptor = None
            work.ended.set()

    def _read_one(self, work: _Work, channel: _Channel) -> bool:
        work.since_ns = self._clock.now_ns()
        work.busy = channel
        try:
            if channel.descriptor is None:
                channel.descriptor = os.open(channel.path, os.O_RDONLY | os.O_CLOEXEC)
            raw = os.pread(channel.descriptor, _LONGEST_VALUE, 0)
            value = millivolts(int(raw), channel.scale, channel.offset)
        except OSError as error:
            self._fail(f"{channel.item}: {error.strerror or error}", [channel.item])
            return False
        except ValueError:
            self._fail(f"{channel.item} gave no number", [channel.item])
            return False
        finally:
            work.busy = None
        self._slots.put(Reading(self.name, channel.item, value, self._clock.now_ns()))
        return True

    def _fail(self, words: str, items: Sequence[str]) -> None:
        self._status.bad(words)
        now = self._clock.now_ns()
        for item in items:
            self._slots.put(Reading(self.name, item, None, now, Quality.ABSENT, words))


def _number(path: Path, otherwise: float) -> float:
    try:
        return float(_read_small(path))
    except (OSError, ValueError):
        return otherwise
