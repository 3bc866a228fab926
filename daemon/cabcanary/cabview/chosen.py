"""Which channels the cab page shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.settings.derived import BoostChannel
from cabcanary.settings.sensors import MeasuredChannel

if TYPE_CHECKING:
    from cabcanary.settings.schema import Settings

_MOST = 4


def chosen_values(settings: Settings) -> list[str]:
    """Those that the owner names; without any, what stands behind the first four things that a vehicle is watched for
    (lean under boost, over-boost, mixture blind, pressure blind): mixture, boost, its pressure; then the supply."""
    if settings.pages.values:
        return list(settings.pages.values)
    channels = settings.channels
    boosts = {n: c for n, c in channels.items() if isinstance(c, BoostChannel)}
    pressures = [c.pressure for c in boosts.values() if c.pressure in channels]
    wanted = [*_measuring(settings, "lambda"), *boosts, *pressures, *_measuring(settings, "supply_voltage"), *channels]
    return list(dict.fromkeys(wanted))[:_MOST]


def _measuring(settings: Settings, what: str) -> list[str]:
    return [n for n, c in settings.channels.items() if isinstance(c, MeasuredChannel) and c.measures == what]
