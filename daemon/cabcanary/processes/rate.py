"""How often something is taken that anybody may ask for: the first at once, a few in a row, then a steady rate."""

from __future__ import annotations

_NS_PER_S = 1_000_000_000


class RateLimit:
    """A token bucket: `burst` at once, and `per_s` a second from then on. Counts what it drops; says so at once and
    then at most once in `tell_every_s`. Times are nanoseconds of any one monotonic clock."""

    def __init__(self, per_s: float, burst: int, tell_every_s: float = 60.0) -> None:
        self._per_ns, self._burst, self._tell_every_ns = per_s / _NS_PER_S, burst, int(tell_every_s * _NS_PER_S)
        self._tokens = float(burst)
        self._seen_ns: int | None = None
        self._told_ns: int | None = None
        self._dropped = 0

    def allows(self, now_ns: int) -> bool:
        """Whether one more is taken now; one that is not is counted."""
        if self._seen_ns is not None:
            passed = max(0, now_ns - self._seen_ns)
            self._tokens = min(self._burst, self._tokens + passed * self._per_ns)
        self._seen_ns = now_ns
        if self._tokens < 1.0:
            self._dropped += 1
            return False
        self._tokens -= 1.0
        return True

    def to_tell(self, now_ns: int) -> int:
        """How many were dropped since this was last told; 0 where there are none, or it is too early to tell again."""
        early = self._told_ns is not None and now_ns - self._told_ns < self._tell_every_ns
        if not self._dropped or early:
            return 0
        dropped, self._dropped, self._told_ns = self._dropped, 0, now_ns
        return dropped
