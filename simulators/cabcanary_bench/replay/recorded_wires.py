"""Recorded readings back on wires: each source of a drive's settings as a simulated transport that plays them."""

from __future__ import annotations

import math
import re
from bisect import bisect_left, bisect_right
from typing import TYPE_CHECKING, Any, Protocol

from cabcanary.model import Quality
from cabcanary.sources.can.obd_pids import ITEMS, LENGTHS
from cabcanary_bench.wiring.host_files import HostFiles
from cabcanary_bench.wiring.obd import ObdResponder
from cabcanary_bench.wiring.serial_pty import SerialPty
from cabcanary_bench.wiring.slcan import SlcanAdapter
from cabcanary_bench.wiring.voltage_tree import VoltageTree

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
    from pathlib import Path

    from cabcanary.model import Reading
    from cabcanary.sources.can.can_settings import CanSource
    from cabcanary.sources.kernel.kernel_settings import IioSource
    from cabcanary.sources.serial.serial_settings import SerialTextSource

_VOLTAGE = re.compile(r"voltage(\d+)")
#: Where a drive does not say what one count is: fine enough for any converter, mV.
_FINE_MV, _FINE_BITS = 0.001, 32
#: What fills a field that the drive does not have: a word, and so no value.
_NO_NUMBER = "-"
_NS = 1e9
_SILENT_AFTER_NS, _AWAKE_BEFORE_NS = 1_000_000, 20_000_000


class NotOnWiresError(Exception):
    """A drive that cannot be played over wires; the text gives the reason and the remedy."""


class Wire(Protocol):
    """One source's transport. `place` is what its settings must say; `before` is called now and then until the play
    begins, `show` with the readings that arrived at one instant."""

    place: dict[str, Any]

    def before(self) -> None:
        """Nothing is played yet."""

    def show(self, readings: Sequence[Reading]) -> None:
        """These arrive now."""

    def close(self) -> None:
        """Take it away."""


class Voltages:
    """A converter's tree of files, counts as recorded."""

    def __init__(
        self, folder: Path, spec: IioSource, first: Mapping[str, Reading], scales: Mapping[str, float]
    ) -> None:
        self._channels = {item: _voltage_number(item) for item in first}
        known = set(scales.values())
        self._scale, bits = (known.pop(), 24) if len(known) == 1 else (_FINE_MV, _FINE_BITS)
        self._tree = VoltageTree(folder, spec.device, list(self._channels.values()), self._scale, bits)
        self.place = {"folder": str(folder)}
        self._now = {item: reading.value or 0.0 for item, reading in first.items()}
        self._up = False

    def before(self) -> None:
        """A count up and down: a sensor that never moves would be held for a dead one."""
        self._up = not self._up
        for item, channel in self._channels.items():
            self._tree.write(channel, (self._now[item] + self._up * self._scale) / 1000)

    def show(self, readings: Sequence[Reading]) -> None:
        """The counts from now on."""
        for reading in readings:
            channel = self._channels[reading.item]
            if reading.value is None:
                self._tree.fail(channel)
            else:
                self._tree.write(channel, reading.value / 1000)

    def close(self) -> None:
        """Take it away."""
        self._tree.close()


def _voltage_number(item: str) -> int:
    match = _VOLTAGE.fullmatch(item)
    if match is None:
        raise NotOnWiresError(f"the converter's '{item}' is no plain voltage, and only those are simulated")
    return int(match[1])


class Lines:
    """A serial line with the recorded values in the words that its settings ask for."""

    def __init__(self, link: Path, name: str, spec: SerialTextSource) -> None:
        if spec.pattern:
            raise NotOnWiresError(f"source {name}: what a line looks like cannot be told from its pattern")
        self._spec = spec
        self._port = SerialPty(link)
        self.place = {"port": str(link)}
        # The first line after opening is never believed.
        self._port.write(b"\r\n")

    def before(self) -> None:
        """A line that is silent."""

    def show(self, readings: Sequence[Reading]) -> None:
        """One line with these values; without a word for no value the plug is out."""
        words = {r.item: self._word(r) for r in readings}
        if None in words.values():
            self._port.unplug()
            return
        if not self._port.plugged:
            self._port.replug()
        if self._spec.fields:
            text = self._spec.separator.join(words.get(f) or _NO_NUMBER for f in self._spec.fields)
        else:
            text = self._spec.separator.join(f"{item}{self._spec.assign}{word}" for item, word in words.items())
        end = "\r" if self._spec.line_end == "cr" else "\n" if self._spec.line_end == "lf" else "\r\n"
        self._port.write((text + end).encode("ascii"))

    def _word(self, reading: Reading) -> str | None:
        if reading.value is not None:
            return repr(reading.value)
        known = self._spec.not_ready if reading.quality is Quality.WARMING else self._spec.error
        return known[0] if known else None

    def close(self) -> None:
        """Take it away."""
        self._port.close()


class Computer:
    """The monitor's own computer, by its folder of small files."""

    def __init__(self, folder: Path, items: Iterable[str]) -> None:
        self._files = HostFiles(folder)
        self.place = {"folder": str(folder)}
        self._items = tuple(items)

    def before(self) -> None:
        """A healthy computer."""

    def show(self, readings: Sequence[Reading]) -> None:
        """What it tells from now on."""
        for reading in readings:
            if reading.value is None:
                self._files.remove(reading.item)
            else:
                self._files.write(reading.item, reading.value)

    def close(self) -> None:
        """Nothing to take away."""


# --- the bus --------------------------------------------------------------------------------------------------


class Track:
    """All recorded readings of one item of the engine computer, to be asked at any time of the recording."""

    def __init__(self, readings: Sequence[Reading]) -> None:
        self.times = [r.time_ns for r in readings]
        self.values = [r.value for r in readings]

    def nearest(self, time_ns: float) -> float | None:
        """The reading that was taken nearest to a time; None: there was no answer then."""
        n = bisect_left(self.times, time_ns)
        if n and (n == len(self.times) or time_ns - self.times[n - 1] <= self.times[n] - time_ns):
            n -= 1
        return self.values[n]

    def phase(self, period_ns: float) -> float:
        """Where in its period it was read, on average, ns: the mean direction on a circle."""
        turns = [2 * math.pi * (t % period_ns) / period_ns for t in self.times]
        angle = math.atan2(sum(map(math.sin, turns)), sum(map(math.cos, turns)))
        return angle % (2 * math.pi) / (2 * math.pi) * period_ns


def _silences(tracks: Sequence[Track]) -> list[tuple[float, bool]]:
    """(from when, whether nothing at all is answered), in order, by the time of the recording, ns.

    That there is no answer was known some time after the last one; the silence begins there, so that it is found out
    anew in the same time. An answer was asked for before it came.
    """
    answers = sorted(t for track in tracks for t, v in zip(track.times, track.values, strict=True) if v is not None)
    found: list[tuple[float, bool]] = []
    answered = dict.fromkeys(range(len(tracks)), False)
    changes = sorted(
        (t, n, v is not None) for n, track in enumerate(tracks) for t, v in zip(track.times, track.values, strict=True)
    )
    for time_ns, n, good in changes:
        answered[n] = good
        silent = not any(answered.values())
        if not found:
            found.append((time_ns, silent))
        elif found[-1][1] is not silent:
            last = answers[max(0, bisect_left(answers, time_ns) - 1)]
            found.append((last + _SILENT_AFTER_NS if silent else time_ns - _AWAKE_BEFORE_NS, silent))
    return found


class Bus:
    """An slcan adapter with an engine computer that answers each poll with the recorded reading nearest to that time.

    `recorded_at()` is the time of the recording that is played now, ns. `polls` has when each PID was asked, by
    `now()`, before the play begins.
    """

    def __init__(
        self,
        link: Path,
        spec: CanSource,
        tracks: Mapping[str, Track],
        recorded_at: Callable[[], float],
        now: Callable[[], int],
    ) -> None:
        self._tracks = {item: t for item, t in tracks.items() if any(v is not None for v in t.values)}
        self._by_pid: dict[int, list[str]] = {}
        for item in self._tracks:
            self._by_pid.setdefault(ITEMS[item].pid, []).append(item)
        self._recorded_at, self._now = recorded_at, now
        self._adapter = SlcanAdapter(link)
        self._responder = _Responder(self._adapter, self._data, self._asked, self._by_pid, extended=spec.extended_ids)
        self.place = {"interface": "slcan", "channel": str(link)}
        self.polls: dict[int, list[int]] = {}
        rates: dict[int, float] = {}
        for item, rate in spec.items.items():
            rates[ITEMS[item].pid] = max(rate, rates.get(ITEMS[item].pid, 0.0))
        self._periods = {pid: _NS / rates[pid] for pid in self._by_pid if pid in rates}
        self._silent = _silences(list(self._tracks.values()))

    def before(self) -> None:
        """It answers with what it will begin with."""
        self.look()

    def show(self, readings: Sequence[Reading]) -> None:
        """What it answers is looked up when it is asked."""

    def look(self) -> None:
        """Fall silent or wake, if that is what it did at this time of the recording."""
        n = bisect_right(self._silent, (self._recorded_at(), True)) - 1
        silent = self._silent[max(0, n)][1] if self._silent else True
        if self._responder.awake is silent:
            self._responder.awake = not silent

    def _asked(self, pids: bytes) -> None:
        now_ns = self._now()
        for pid in pids:
            self.polls.setdefault(pid, []).append(now_ns)

    def _data(self, pid: int) -> bytes | None:
        items = self._by_pid.get(pid)
        if items is None:
            return None
        lengths = LENGTHS[pid]
        longest = max(ITEMS[i].start + ITEMS[i].size for i in items)
        data = bytearray(next((n for n in lengths if n >= longest), lengths[-1]))
        for name in items:
            item = ITEMS[name]
            value = self._tracks[name].nearest(self._recorded_at())
            if value is None:
                return None
            raw = round((value - item.offset) * item.denominator / item.numerator)
            piece = raw.to_bytes(item.size, "big", signed=item.signed)
            data[item.start : item.start + item.size] = piece
        return bytes(data)

    def best_start(self, first_ns: int, earliest_ns: int) -> tuple[int, dict[int, float]]:
        """When to begin, clock ns, so that the daemon's polls fall where the recorded ones did; and by how much each
        PID still misses, ns."""
        asked = {pid: self.polls[pid][-1] for pid in self._periods if self.polls.get(pid)}
        if not asked:
            return earliest_ns, {}
        phases = {pid: self._tracks[self._by_pid[pid][0]].phase(self._periods[pid]) - first_ns for pid in asked}

        def misses(start_ns: float) -> dict[int, float]:
            found = {}
            for pid, poll_ns in asked.items():
                period = self._periods[pid]
                found[pid] = (start_ns + phases[pid] - poll_ns + period / 2) % period - period / 2
            return found

        longest = min(_LONGEST_WAIT_NS, max(self._periods[pid] for pid in asked))
        tries = range(earliest_ns, earliest_ns + round(longest), _TRY_NS)
        best = min(tries, key=lambda s: sum(min(1.0, (m / _NEAR_NS) ** 2) for m in misses(s).values()))
        return best, misses(best)

    def close(self) -> None:
        """Take it away."""
        self._adapter.close()


#: A start is looked for within this, in such steps; a PID that misses by more than the last is as good as lost, ns.
_LONGEST_WAIT_NS, _TRY_NS, _NEAR_NS = 5_000_000_000, 2_000_000, 40_000_000


class _Responder(ObdResponder):
    """An engine computer that says when it is asked for data."""

    def __init__(
        self,
        adapter: SlcanAdapter,
        pids: Callable[[int], bytes | None],
        asked: Callable[[bytes], None],
        known: Collection[int],
        *,
        extended: bool,
    ) -> None:
        self._told, self._known = asked, known
        super().__init__(adapter, pids, extended=extended)

    def supports(self, pid: int) -> bool:
        """Whether the recording has it, at whatever time."""
        return pid in self._known

    def _take(self, request: bytes, functional: bool) -> None:
        if request[0] == 0x01 and any(pid % 0x20 for pid in request[1:]):
            self._told(request[1:])
        super()._take(request, functional)
