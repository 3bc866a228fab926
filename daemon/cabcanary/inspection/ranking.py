"""Causes in order of likelihood, given everything that was observed: naive Bayes over `causes.py`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.inspection.causes import CAUSES, HEALTHY, WORDS, Cause

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.inspection.evidence import Evidence
    from cabcanary.inspection.roles import Roles

#: Others than the first are named from this probability on.
_ALSO = 0.01
_MOST = 4
#: Nothing is impossible: a word that a cause leaves no room for.
_LEAST = 0.002
#: A feed of which a unit must live: a battery at rest has some 12.4 V, an engine that charges makes 13 to 14.
_GOOD_FEED_V = 11.5


@dataclass(frozen=True, slots=True)
class Ranked:
    """A cause and its probability among those of the table."""

    cause: Cause
    probability: float


def likelihood(cause: Cause, observation: str, word: str) -> float:
    """How likely a word is with this cause. The words that a cause does not name share what is left."""
    words = WORDS[observation]
    shows = cause.shows.get(observation, {words[0]: HEALTHY})
    if word in shows:
        return max(_LEAST, shows[word])
    others = len(words) - len(shows)
    return max(_LEAST, (1.0 - sum(shows.values())) / others) if others else _LEAST


def possible(cause: Cause, roles: Roles) -> bool:
    """Whether a vehicle has what the cause needs."""
    mixture = roles.mixture
    has = {
        "": True,
        "supply": roles.supply is not None,
        "voltage": mixture is not None and mixture.analogue,
        "text": mixture is not None and not mixture.analogue,
        "lamp": roles.lamp,
        "boost": roles.boosted,
        "trims": roles.short_trim is not None or roles.long_trim is not None,
    }
    return has[cause.needs]


def ranked(observed: Mapping[str, str], roles: Roles | None = None) -> list[Ranked]:
    """The causes that a vehicle can have, the likeliest first: prior times the product of the likelihoods, over their
    sum (Bayes)."""
    can = [cause for cause in CAUSES if roles is None or possible(cause, roles)]
    logs = {
        cause.key: math.log(cause.prior) + sum(math.log(likelihood(cause, o, w)) for o, w in observed.items())
        for cause in can
    }
    top = max(logs.values())
    total = sum(math.exp(value - top) for value in logs.values())
    found = [Ranked(cause, math.exp(logs[cause.key] - top) / total) for cause in can]
    return sorted(found, key=lambda r: -r.probability)


def named(e: Evidence) -> list[Ranked]:
    """Those that a person is told: the first, and what is also possible."""
    found = ranked(e.observed, e.roles)
    return [r for n, r in enumerate(found[:_MOST]) if n == 0 or r.probability >= _ALSO]


def words_of(one: Ranked, e: Evidence) -> str:
    """The cause as it is told, with the figures that prove it where there are some."""
    feed, ground = e.number("feed"), e.number("ground")
    well = e.observed.get("feed_drop") == "small" and e.observed.get("ground_drop") == "small"
    if one.cause.key != "unit_dead" or feed is None or ground is None or not well or feed < _GOOD_FEED_V:
        return one.cause.words
    return (
        f"{one.cause.words}: {feed:.1f} V stand on its feed and its ground loses {abs(ground):.2f} V, so neither is "
        "the reason. A second-hand unit that is silent so is dead"
    )


def lines(e: Evidence) -> list[str]:
    """Most likely, also possible, and for each what to measure next."""
    found = []
    for n, one in enumerate(named(e)):
        found.append(f"{'most likely' if n == 0 else 'also possible'}: {words_of(one, e)}")
        found.append(f"    next: {one.cause.next}")
    return found
