"""What an alert was raised on, in the owner's units: from the numbers that its event has (`rules/measured.py`)."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from cabcanary.model import Quality

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping

    from cabcanary.display import Display

#: How a limit is spoken of that a value has passed.
_SIDES = {">": "limit", ">=": "limit", "<": "at least wanted", "<=": "at least wanted"}
_ENDS = {Quality.SATURATED_HIGH.words: "at least ", Quality.SATURATED_LOW.words: "at most "}


def why(
    event: Mapping[str, Any],
    display: Display,
    above_air: Collection[str] = (),
    called: Callable[[str], str] = str,
    verb: str = "",
) -> str:
    """Each channel with what it was and the limits it was held against; of what cannot be seen, the reason.

    `above_air` are channels whose pressure counts from the air's; `called` gives a channel's name for a person, and
    `verb` stands behind it.
    """
    told = []
    for seen in event.get("measured", ()):
        if "value" not in seen or not seen.get("limits"):
            continue
        shown = partial(display.show, above_air=seen["channel"] in above_air)
        limits = ", ".join(
            f"{_SIDES.get(one['comparison'], one['comparison'])} {shown(one['value'], one['unit'])}"
            for one in seen["limits"]
            if "value" in one
        )
        name = called(seen["channel"])
        # A mixture is shown with its name in front, which may be the channel's own.
        value = shown(seen["value"], seen["unit"], 2.0 * seen.get("uncertainty", 0.0)).removeprefix(f"{name} ")
        words = f"{name}{verb} {_ENDS.get(seen['quality'], '')}{value}"
        told.append(f"{words}, {limits}" if limits else words)
    return "; ".join(told) or str(event.get("figures", ""))
