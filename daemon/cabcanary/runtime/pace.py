"""The tick follows the readings: it comes just after the scan of a source that is read as often as the tick looks.

Two clocks of one rate that know nothing of each other may stand so that every reading waits nearly a whole tick before
it is looked at. So the tick's phase moves by small steps until a reading is fresh when the tick comes. It waits for no
reading: a source that hangs leaves the tick where it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from cabcanary.sources.kernel.kernel_settings import HwmonSource, IioSource

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cabcanary.model import Reading
    from cabcanary.settings.schema import Settings

#: How old a reading should be when the tick comes, ns: a scan may take a little longer now and then.
_FRESH_NS = 1_500_000
#: The most that one tick is moved, as a share of the period, and the share of what is left that is made up for at once.
_MOST, _GAIN = 0.025, 0.25
#: A source's rate is the tick's, or so many times it, where it differs by no more than this share.
_SAME = 0.001


class _Followed(NamedTuple):
    keys: tuple[tuple[str, str], ...]
    period_ns: int


class Pace:
    """How much sooner or later the next tick should come."""

    def __init__(self, settings: Settings, wanted: Mapping[str, Sequence[str]]) -> None:
        """`wanted` are the items that each source is asked for."""
        self._period_ns = round(1e9 / settings.daemon.tick_hz)
        self._followed = _followed(settings, wanted)

    def shift_ns(self, newest: Mapping[tuple[str, str], Reading], now_ns: int) -> int:
        """By how much the next tick should move, ns of the clock; negative is sooner. `now_ns` is this tick's time."""
        if self._followed is None:
            return 0
        keys, period_ns = self._followed
        read_ns = max((newest[k].time_ns for k in keys if k in newest), default=None)
        if read_ns is None or now_ns - read_ns > 2 * self._period_ns:
            return 0
        # Older by whole periods of the source is as good: between two of its scans there is nothing to see.
        early_ns = (now_ns - read_ns - _FRESH_NS + period_ns // 2) % period_ns - period_ns // 2
        most_ns = int(_MOST * self._period_ns)
        return max(-most_ns, min(most_ns, -int(_GAIN * early_ns)))


def _followed(settings: Settings, wanted: Mapping[str, Sequence[str]]) -> _Followed | None:
    """The source whose scans the tick can follow: the first that is read at the tick's rate or a multiple of it."""
    for name, source in settings.sources.items():
        if not isinstance(source, IioSource | HwmonSource) or not wanted.get(name):
            continue
        times = source.rate_hz / settings.daemon.tick_hz
        if times > 0.5 and abs(times - round(times)) <= _SAME * times:
            return _Followed(tuple((name, item) for item in wanted[name]), round(1e9 / source.rate_hz))
    return None
