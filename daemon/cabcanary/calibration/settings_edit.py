"""A calibration as keys of a settings text."""

from __future__ import annotations

import math
from typing import Any

from cabcanary.settings.editing import CannotEditError, Edited
from cabcanary.settings.toml_value import written

#: Digits of a curve's numbers: a thousandth of what any converter tells.
_DIGITS = 8


def rounded(value: Any) -> Any:
    """The same with its numbers to the digits that are written."""
    if isinstance(value, bool) or not isinstance(value, (float, list, tuple, dict)):
        return value
    if isinstance(value, dict):
        return {key: rounded(v) for key, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [rounded(v) for v in value]
    return float(f"{value:.{_DIGITS}g}") if math.isfinite(value) else value


def fragment(channel: str, keys: dict[str, Any]) -> str:
    """The channel's new keys as a TOML text, for `cabcanary reconvert --curve`."""
    return "\n".join([f"[channels.{channel}]", *(f"{key} = {written(value)}" for key, value in keys.items()), ""])


def edited(text: str, channel: str, keys: dict[str, Any], comment: str) -> str:
    """The settings with these keys in the channel's table; `comment` goes behind a key that is new there.

    Raises:
        CannotEditError: the text cannot be changed with care.
    """
    settings = Edited(text)
    try:
        for key, value in keys.items():
            settings.put(("channels", channel, key), value, comment)
        return settings.text()
    except CannotEditError as error:
        raise CannotEditError(f"channels.{channel}: {error}") from error
