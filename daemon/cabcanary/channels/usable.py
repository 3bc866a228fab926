"""Which values may be calculated with, and what a result is worth when its inputs are saturated."""

from __future__ import annotations

from cabcanary.model import USABLE, Quality, Value


def known(values: dict[str, Value], channel: str | None) -> float | None:
    """The channel's value, if it is one to calculate with; the middle of an interval is none."""
    if channel is None:
        return None
    value = values[channel]
    return value.value if value.quality in USABLE and value.quality is not Quality.WITHIN else None


def good(values: dict[str, Value], channel: str | None) -> float | None:
    """The channel's value, if it is good and not merely at an end of its range."""
    if channel is None:
        return None
    value = values[channel]
    return value.value if value.quality is Quality.GOOD else None


def unusable(values: dict[str, Value], channels: tuple[str, ...], now_ns: int) -> Value:
    """What a derived channel says when an input is missing: the first one's quality and reason."""
    for channel in channels:
        value = values[channel]
        if value.quality not in USABLE:
            return Value(None, value.quality, value.time_ns, reason=f"{channel}: {value.reason}".rstrip(": "))
    return Value(None, Quality.ABSENT, now_ns, reason=f"{channels[0]} proves nothing here")


def opposite(quality: Quality) -> Quality:
    """The quality of a value that falls when its input rises."""
    return {
        Quality.SATURATED_HIGH: Quality.SATURATED_LOW,
        Quality.SATURATED_LOW: Quality.SATURATED_HIGH,
    }.get(quality, quality)
