"""Which channel plays which part: the mixture, boost, boost as the gas was burnt, and what else judges a drive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.plan.coverage import LEAN
from cabcanary.settings.derived import AsBurntChannel, BoostChannel, EngineRunningChannel, FuelCutChannel
from cabcanary.settings.sensors import MeasuredChannel

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.plan.plan import Plan
    from cabcanary.rules.rule import Rule
    from cabcanary.settings.schema import Settings


@dataclass(frozen=True, slots=True)
class Roles:
    """Names of channels; None: this vehicle has none."""

    mixture: str | None
    boost: str | None
    #: Boost when the gas that the wideband shows was burnt; where no channel says it, boost itself.
    burnt: str | None
    fuel_cut: str | None
    pressure: str | None
    air: str | None
    running: str | None


def roles_of(settings: Settings) -> Roles:
    """The first channel of each kind."""
    channels = settings.channels
    boost = next((n for n, c in channels.items() if isinstance(c, BoostChannel)), None)
    of = channels[boost] if boost else None
    return Roles(
        next((n for n, c in channels.items() if isinstance(c, MeasuredChannel) and c.measures == "lambda"), None),
        boost,
        next((n for n, c in channels.items() if isinstance(c, AsBurntChannel) and c.of == boost), boost),
        next((n for n, c in channels.items() if isinstance(c, FuelCutChannel)), None),
        of.pressure if isinstance(of, BoostChannel) else "map" if "map" in channels else _engines_own(settings),
        of.air if isinstance(of, BoostChannel) else None,
        next((n for n, c in channels.items() if isinstance(c, EngineRunningChannel)), None),
    )


def _engines_own(settings: Settings) -> str | None:
    """The engine's own manifold sensor as the bus tells it, where a vehicle has no other."""
    channels = settings.channels.items()
    return next((n for n, c in channels if isinstance(c, MeasuredChannel) and c.item == "map"), None)


def lean_rules(plan: Plan) -> Iterator[Rule]:
    """The rules that watch for a lean mixture under boost; where none says so, those that hold it against boost."""
    roles, rules = roles_of(plan.settings), plan.rules.rules
    boosts = {n for n in (roles.boost, roles.burnt) if n}
    said = [r for r in rules if r.covers == LEAN]
    yield from said or [r for r in rules if roles.mixture in r.channels and boosts & set(r.channels)]
