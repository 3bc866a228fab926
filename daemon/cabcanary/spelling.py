"""How a number is written for a person: 1330, 12345, 0.000012, and never 1.33e+03."""

from __future__ import annotations

import math

#: Beyond these nobody counts the digits, and a power of ten says more.
_LARGEST, _SMALLEST = 1e15, 1e-12


def spelt(number: float, digits: int = 6, sign: str = "") -> str:
    """A number with so many significant digits, as `:g` writes it where that has no exponent.

    Digits before the point are all written, however many; zeros at the end behind it are not. `sign` may be "+". What
    lies beyond 10^15, or nearer to zero than 10^-12, has its power of ten; no number is "nan", no bound "inf".
    """
    if not math.isfinite(number) or number == 0 or not _SMALLEST <= abs(number) < _LARGEST:
        return f"{number + 0.0:{sign}.{digits}g}"
    decimals = max(0, digits - 1 - math.floor(math.log10(abs(number))))
    text = f"{number:{sign}.{decimals}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text
