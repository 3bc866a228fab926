"""How windows add up: in int64 fixed point, so that the order of adding changes nothing.

Scalar and array evaluation both use these scales. A value beyond `LARGEST` after scaling is not known.
"""

from __future__ import annotations

from cabcanary import units

#: Powers of two, so that scaling itself is exact: the step is far below any sensor's, and a window of 60,000 ticks
#: (120 s at 500 a second) of the largest value stays within 63 bits.
_BITS = {units.PRESSURE: 10, units.VOLUME: 40, units.VOLUME_FLOW: 50, units.MASS_FLOW: 34}
_OTHER_BITS = 22
LARGEST = float(2**46)

#: Without a tick for longer than this nobody looked, and a window begins anew: six ticks at the slowest rate allowed.
LONGEST_GAP_NS = 600_000_000


def scale_of(dimension: units.Dimension) -> float:
    """By how much a value in SI is multiplied before it is rounded to a whole number."""
    return float(2 ** _BITS.get(dimension, _OTHER_BITS))
