"""The monitor's own computer as a source, so that rules can speak of its clock, its card, its board and its recorder.

Each item is read by a thread of its own, about once a second: a read that hangs, as asking a dying card for its free
space does, costs its own item and nothing else.
"""

from __future__ import annotations

import ctypes
import math
import os
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.sources.host.host_settings import ITEMS
from cabcanary.sources.kernel.hwmon import find_chip
from cabcanary.sources.kernel.reader import read_small
from cabcanary.sources.running import Polled
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Collection

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Status
    from cabcanary.sources.host.host_settings import HostSource
    from cabcanary.sources.kind import OwnState
    from cabcanary.sources.slot import Slots

#: Late ticks are counted over this long, in clock seconds.
LATE_WINDOW_S = 10.0
#: A number in a file of the stand-in folder is shorter than this.
_LONGEST_NUMBER = 64
#: The lowest temperature there is, in m°C: a zone without a reading gives a number below it.
_ABSOLUTE_ZERO = -273_150
#: The kernel's driver that watches the board's own supply goes by this name.
_SUPPLY_DRIVER = "rpi_volt"


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
        "write_latency": _unknown,
        "card_read_only": lambda: float(is_read_only(data)),
        "free_space": lambda: free_share(data),
    }
    if own is not None:
        recording, latency_s = own.recording, own.write_latency_s
        readers["write_latency"] = lambda: 1000.0 * latency_s()
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


def is_read_only(folder: Path) -> bool:
    """Whether the folder's file system takes no writes: a kernel mounts a card so that has failed it."""
    return bool(os.statvfs(folder).f_flag & os.ST_RDONLY)


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
        raise ValueError(f"gave {spelt(value)}, which is neither 0 nor 1")
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


@dataclass(frozen=True)
class _Item:
    """One item, and how it is read."""

    item: str
    read: Callable[[], float]

    def close(self) -> None:
        """Nothing is held."""


class HostReader(Polled):
    """Reads the wanted `items` of this computer into the slots; `readers` says how each is read."""

    apart = True

    def __init__(
        self,
        name: str,
        spec: HostSource,
        items: Collection[str],
        clock: Clock,
        slots: Slots,
        status: Status,
        readers: Readers,
    ) -> None:
        super().__init__(name, items, spec.rate_hz, spec.hung_after, clock, slots, status)
        self._folder = spec.folder
        self._readers = readers if spec.folder is None else with_stand_in(spec.folder, readers)

    def find(self) -> list[_Item]:
        """This computer is always there."""
        return [_Item(item, self._readers[item]) for item in self._items]

    def well(self) -> str:
        """What is read, and whether a bench stands in."""
        place = f" ({self._folder} stands in)" if self._folder else ""
        return f"reading {', '.join(self._items)} of this computer{place}"
