"""The monitor's own computer as a source, so that rules can speak of its clock, its card, its board and its recorder.

Each item is read by a thread of its own, about once a second: a read that hangs, as asking a dying card for its free
space does, costs its own item and nothing else.
"""

from __future__ import annotations

import ctypes
import math
import os
import threading
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from cabcanary.model import Quality, Reading
from cabcanary.sources.kernel.hwmon import find_chip
from cabcanary.sources.kernel.reader import read_small

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Status
    from cabcanary.settings.wires import HostSource
    from cabcanary.sources.slot import Slots

#: What there is, and the unit of each on the wire.
ITEMS = {
    "clock_set": "state",
    "recording": "state",
    "board_temperature": "°C",
    "under_voltage": "state",
    "late_ticks": "",
    "free_space": "%",
}
#: Late ticks are counted over this long, in clock seconds.
LATE_WINDOW_S = 10.0
#: What is read by then is put and told of together; what takes longer comes with the next look. Clock seconds.
_TOGETHER_S = 0.2
#: A number in a file of the stand-in folder is shorter than this.
_LONGEST_NUMBER = 64
#: The lowest temperature there is, in m°C: a zone without a reading gives a number below it.
_ABSOLUTE_ZERO = -273_150
#: The kernel's driver that watches the board's own supply goes by this name.
_SUPPLY_DRIVER = "rpi_volt"


class OwnState(NamedTuple):
    """What only the running daemon knows of itself. Both are asked from other threads and return at once."""

    recording: Callable[[], bool]
    #: How many ticks were late since the start.
    late_ticks: Callable[[], int]


Readers = dict[str, Callable[[], float]]


def machine_readers(data: Path, own: OwnState | None, clock: Clock, system: Path = Path("/sys")) -> Readers:
    """How each item is read from this machine, in its unit; `data` is the folder whose file system must have room.

    A reader may hang. It raises OSError, with words for a person, where the machine has no such thing.
    """
    readers: Readers = {
        "clock_set": lambda: float(clock_is_set()),
        "recording": _unknown,
        "board_temperature": lambda: hottest(system / "class" / "thermal"),
        "under_voltage": lambda: _under_voltage(system / "class" / "hwmon"),
        "late_ticks": _unknown,
        "free_space": lambda: free_share(data),
    }
    if own is not None:
        recording = own.recording
        readers["recording"] = lambda: float(recording())
        readers["late_ticks"] = Recent(own.late_ticks, LATE_WINDOW_S, clock)
    return readers


def _unknown() -> float:
    raise OSError("only a running daemon knows")


# --- the machine ----------------------------------------------------------------------------------------


class _Timex(ctypes.Structure):
    """The kernel's struct timex (include/uapi/linux/timex.h), with the rest that it keeps free for later."""

    _fields_ = (
        ("modes", ctypes.c_uint),
        *((name, ctypes.c_long) for name in ("offset", "freq", "maxerror", "esterror")),
        ("status", ctypes.c_int),
        *((name, ctypes.c_long) for name in ("constant", "precision", "tolerance", "seconds", "micros", "tick")),
        ("rest", ctypes.c_char * 256),
    )


#: In `status`: nobody has set the clock, or nobody has for so long that it may be anything (adjtimex(2)).
_STA_UNSYNC = 0x40
_LIBC = ctypes.CDLL(None, use_errno=True)


def _kernel_clock() -> _Timex:
    """What the kernel says of its wall clock; nothing is changed."""
    timex = _Timex(modes=0)
    if _LIBC.adjtimex(ctypes.byref(timex)) < 0:
        number = ctypes.get_errno()
        raise OSError(number, f"the kernel does not tell about its clock ({os.strerror(number)})")
    return timex


def clock_is_set() -> bool:
    """Whether the kernel counts the wall clock as synchronised: a time service has set it, and goes on doing so.

    A clock that came from a battery-backed chip and that nobody has compared since is not.
    """
    return not _kernel_clock().status & _STA_UNSYNC


def hottest(zones: Path) -> float:
    """The temperature of the hottest thermal zone, °C (the kernel gives m°C)."""
    found = []
    for zone in zones.glob("thermal_zone*"):
        try:
            milli = int(read_small(zone / "temp"))
        except (OSError, ValueError):
            continue  # a zone that is switched off
        if milli > _ABSOLUTE_ZERO:
            found.append(milli / 1000.0)
    if not found:
        raise OSError(f"no thermal zone under {zones} tells a temperature")
    return max(found)


def _under_voltage(chips: Path) -> float:
    alarm = find_chip(chips, _SUPPLY_DRIVER) / "in0_lcrit_alarm"
    return in_unit(read_small(alarm), "state")


def free_share(folder: Path) -> float:
    """How much of the folder's file system anybody may still fill, in % of all of it."""
    found = os.statvfs(folder)
    if not found.f_blocks:
        raise OSError(f"the file system of {folder} has no size")
    return 100.0 * found.f_bavail / found.f_blocks


class Recent:
    """How much a total has grown during the last `seconds`, to within one look."""

    def __init__(self, total: Callable[[], int], seconds: float, clock: Clock) -> None:
        self._total, self._length_ns, self._clock = total, int(seconds * 1e9), clock
        self._seen = deque([(clock.now_ns(), total())])

    def __call__(self) -> float:
        """Look at the total."""
        now, total = self._clock.now_ns(), self._total()
        self._seen.append((now, total))
        while self._seen[1][0] <= now - self._length_ns:
            self._seen.popleft()
        return float(total - self._seen[0][1])


# --- the bench ------------------------------------------------------------------------------------------


def in_unit(text: str | bytes, unit: str) -> float:
    """The number in a small file, as far as the unit allows it.

    Raises:
        ValueError: there is none.
    """
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise ValueError("gave no number")
    if unit == "state" and value not in (0.0, 1.0):
        raise ValueError(f"gave {value:g}, which is neither 0 nor 1")
    return value


def with_stand_in(folder: Path, readers: Readers) -> Readers:
    """The same, but an item that has a file in `folder` is read from there."""

    def reader(item: str, machine: Callable[[], float]) -> Callable[[], float]:
        def read() -> float:
            try:
                with (folder / item).open("rb") as file:
                    text = file.read(_LONGEST_NUMBER)
            except FileNotFoundError:
                if not folder.is_dir():
                    raise OSError(f"there is no stand-in folder {folder}") from None
                return machine()
            return in_unit(text, ITEMS[item])

        return read

    return {item: reader(item, machine) for item, machine in readers.items()}


# --- the source -----------------------------------------------------------------------------------------


class _Look:
    """One item, and the thread that reads it whenever it is asked to."""

    def __init__(self, source: str, item: str, read: Callable[[], float], clock: Clock) -> None:
        self.item, self._source, self._read, self._clock = item, source, read, clock
        self.since_ns = 0
        self.done = threading.Event()
        self.done.set()
        self.fresh: Reading | None = None
        self._wanted, self._end = threading.Event(), False
        self.thread = threading.Thread(target=self._work, name=f"{source}-{item}", daemon=True)
        self.thread.start()

    def ask(self) -> None:
        """Read once more."""
        self.since_ns = self._clock.now_ns()
        self.done.clear()
        self._wanted.set()

    def end(self) -> None:
        """Let the thread go, as soon as it does not hang."""
        self._end = True
        self._wanted.set()

    def _work(self) -> None:
        while True:
            self._wanted.wait()
            self._wanted.clear()
            if self._end:
                return
            self.fresh = self._reading()
            self.done.set()

    def _reading(self) -> Reading:
        try:
            value = self._read()
        except Exception as error:  # noqa: BLE001 - the thread must live for the next look
            return self.absent(_words(error))
        return Reading(self._source, self.item, value, self._clock.now_ns())

    def absent(self, reason: str) -> Reading:
        """That there is no value now, and why."""
        return Reading(self._source, self.item, None, self._clock.now_ns(), Quality.ABSENT, reason)


def _words(error: Exception) -> str:
    if isinstance(error, OSError):
        words = error.strerror or str(error)
        return f"{error.filename}: {words}" if error.filename else words
    return str(error) or type(error).__name__


class HostReader:
    """Reads the wanted `items` of this computer into the slots; `readers` says how each is read."""

    def __init__(
        self,
        name: str,
        spec: HostSource,
        items: Sequence[str],
        clock: Clock,
        slots: Slots,
        status: Status,
        readers: Readers,
    ) -> None:
        self.name, self._items = name, tuple(items)
        self._folder = spec.folder
        self._readers = readers if spec.folder is None else with_stand_in(spec.folder, readers)
        self._clock, self._slots, self._status = clock, slots, status
        self._period_ns, self._hung_ns = int(1e9 / spec.rate_hz), int(spec.hung_after * 1e9)
        self._together_ns = min(int(_TOGETHER_S * 1e9), self._period_ns)
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._standing: dict[str, str] = {}

    def start(self) -> None:
        """Begin reading."""
        if not self._items:
            self._status.good("no channel reads it")
            return
        self._thread = threading.Thread(target=self._run, name=f"{self.name}-watch", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Stop without waiting: a hung thread is a daemon thread and dies with the process."""
        self._stop.set()

    def join(self, longest_s: float) -> bool:
        """After `stop`: wait for the reading to end, at most this long; False if it has not."""
        if self._thread is None:
            return True
        self._thread.join(longest_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        looks = [_Look(self.name, item, self._readers[item], self._clock) for item in self._items]
        due = self._clock.now_ns()
        while not self._stop.is_set():
            self._take(looks)
            asked = [look for look in looks if look.done.is_set()]
            for look in asked:
                look.ask()
            together_ns = self._clock.now_ns() + self._together_ns
            for look in asked:
                look.done.wait(self._clock.real_until(together_ns))
            self._take(looks)
            now = self._clock.now_ns()
            due = due + self._period_ns if due + self._period_ns > now else now + self._period_ns
            self._clock.wait_until(self._stop, due)
        for look in looks:
            look.end()
        for look in looks:
            # One that does not hang ends at once; the others die with the process.
            look.thread.join(0.1)

    def _take(self, looks: list[_Look]) -> None:
        """Tell of and put whatever has been read since, and what hangs."""
        readings = []
        now = self._clock.now_ns()
        for look in looks:
            if look.done.is_set():
                if look.fresh is not None:
                    readings.append(look.fresh)
                    look.fresh = None
            elif now - look.since_ns > self._hung_ns:
                readings.append(look.absent("does not answer; the others go on"))
        for reading in readings:
            self._standing[reading.item] = reading.reason
        self._say()
        for reading in readings:
            self._slots.put(reading)

    def _say(self) -> None:
        """Tell how all items stand together, once per change; the first time when each has been looked at."""
        if len(self._standing) < len(self._items):
            return
        missing: dict[str, list[str]] = {}
        for item in self._items:
            if self._standing[item]:
                missing.setdefault(self._standing[item], []).append(item)
        if missing:
            self._status.bad("; ".join(f"{', '.join(items)}: {reason}" for reason, items in missing.items()))
        else:
            place = f" ({self._folder} stands in)" if self._folder else ""
            self._status.good(f"reading {', '.join(self._items)} of this computer{place}")
