"""How far a value can be trusted, in four classes: what a person must tell apart at a glance, by word and by shape."""

from __future__ import annotations

from enum import IntEnum

from cabcanary.model import Quality


class Trust(IntEnum):
    """A higher number is worse. The numbers go to the browser."""

    GOOD = 0
    #: Somewhere in an interval, or beyond the end of a range.
    WITHIN = 1
    NOT_TRUSTED = 2
    STALE = 3

    @property
    def word(self) -> str:
        """As the legend and the styles name it."""
        return self.name.lower().replace("_", "-")


_OF = {
    Quality.GOOD: Trust.GOOD,
    Quality.WITHIN: Trust.WITHIN,
    Quality.SATURATED_HIGH: Trust.WITHIN,
    Quality.SATURATED_LOW: Trust.WITHIN,
    Quality.WARMING: Trust.NOT_TRUSTED,
    Quality.OUT_OF_RANGE: Trust.NOT_TRUSTED,
    Quality.STUCK: Trust.NOT_TRUSTED,
    Quality.IMPLAUSIBLE: Trust.NOT_TRUSTED,
    Quality.STALE: Trust.STALE,
    Quality.ABSENT: Trust.STALE,
}
#: By the number of the quality.
BY_CODE: tuple[int, ...] = tuple(int(_OF[q]) for q in sorted(Quality))
_BY_WORDS = {q.words: _OF[q] for q in Quality}


def trust_of(words: str) -> Trust:
    """Of a quality in words. One of a newer version is not trusted."""
    return _BY_WORDS.get(words, Trust.NOT_TRUSTED)
