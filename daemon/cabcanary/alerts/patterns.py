"""The lamp's patterns, as data.

A dark lamp means that nobody watches: the daemon is not there, so even quiet watching winks. Nothing flashes more
than three times a second, which is where flashing light begins to hurt some people (W3C, WCAG 2.2, criterion 2.3.1).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Flash:
    """One step of a pattern: lit or dark for some seconds."""

    lit: bool
    seconds: float


@dataclass(frozen=True, slots=True)
class Pattern:
    """A row of flashes, repeated until another pattern is shown."""

    name: str
    flashes: tuple[Flash, ...]


def _pattern(name: str, *seconds: float) -> Pattern:
    """Lit and dark in turn, beginning lit."""
    return Pattern(name, tuple(Flash(n % 2 == 0, s) for n, s in enumerate(seconds)))


#: Slow and even.
NOT_YET_WATCHING = _pattern("not_yet_watching", 1.0, 1.0)
#: A short wink: alive, and nothing to tell.
WATCHING = _pattern("watching", 0.06, 3.0)
#: Two short winks: alive, and not watching for all that an engine under boost must be watched for.
PARTLY_WATCHING = _pattern("partly_watching", 0.06, 0.3, 0.06, 3.0)
WARNING = _pattern("warning", 0.2, 0.2)
CAUTION = _pattern("caution", 0.2, 0.2, 0.2, 0.9)
ADVISORY = _pattern("advisory", 0.3, 1.7)
#: Steady until the key is off.
STAY_OUT_OF_BOOST = _pattern("stay_out_of_boost", 3600.0)
#: At the start: the lamp can be lit.
PROOF = _pattern("proof", 3600.0)

ALL = (NOT_YET_WATCHING, WATCHING, PARTLY_WATCHING, WARNING, CAUTION, ADVISORY, STAY_OUT_OF_BOOST, PROOF)
