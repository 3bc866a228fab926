"""What a person types -> an answer, and an answer -> what a person would have typed."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable

_NUMBER = r"[-+]?\d+(?:[.,]\d+)?"


class FormError(ValueError):
    """It cannot be read so; the message says how to write it."""


def _number(text: str) -> float | int:
    if not re.fullmatch(_NUMBER, text):
        raise FormError(f"'{text}' is no number")
    value = float(text.replace(",", "."))
    return int(value) if value.is_integer() and "." not in text and "," not in text else value


def _points(text: str) -> list[list[float]]:
    pairs = re.findall(rf"({_NUMBER})\s*=\s*({_NUMBER})", text)
    rest = re.sub(rf"{_NUMBER}\s*=\s*{_NUMBER}", "", text).strip(" ,;")
    if len(pairs) < 2 or rest:
        raise FormError('write at least two points, such as "0.5 = 20, 4.5 = 250"')
    return sorted([float(x.replace(",", ".")), float(y.replace(",", "."))] for x, y in pairs)


def _pair(text: str) -> list[float]:
    match = re.fullmatch(rf"({_NUMBER})\s*(?:to|-|\.\.)\s*({_NUMBER})", text)
    if match is None:
        raise FormError('write the lower and the upper one, such as "0.05 to 4.95"')
    low, high = (float(part.replace(",", ".")) for part in match.groups())
    if low >= high:
        raise FormError(f"{spelt(low)} is not below {spelt(high)}; write the lower one first")
    return [low, high]


def _yes(text: str) -> bool:
    if text.lower() in ("y", "yes"):
        return True
    if text.lower() in ("n", "no"):
        return False
    raise FormError("write yes or no")


def _parts(separator: str) -> Callable[[str], list[str]]:
    return lambda text: [part.strip() for part in text.split(separator) if part.strip()]


def _quantity(text: str) -> str:
    # "2.5L" and "2,5 L" are what people type.
    match = re.fullmatch(rf"({_NUMBER})(?![\d.,])\s*(\S+)", text)
    if match is None:
        raise FormError('write a number with its unit, such as "1.8 L"')
    return f"{match[1].replace(',', '.')} {match[2]}"


_FORMS: dict[str, Callable[[str], Any]] = {
    "text": lambda text: text,
    "number": _number,
    "quantity": _quantity,
    "points": _points,
    "pair": _pair,
    "yes": _yes,
    "words": _parts(","),
    "names": _parts(";"),
}


def read(form: str, text: str) -> Any:
    """The answer that was typed.

    Raises:
        FormError: it cannot be read in this form.
    """
    return _FORMS[form](text.strip())


def shown(value: Any) -> str:
    """An answer as a person would type it."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, (int, float)):
        return spelt(value)
    if isinstance(value, dict):
        return "; ".join(f"{key}: {shown(v)}" for key, v in value.items())
    if isinstance(value, list) and value and isinstance(value[0], list):
        return ", ".join(f"{spelt(x)} = {spelt(y)}" for x, y in value)
    if isinstance(value, list) and len(value) == 2 and all(isinstance(v, (int, float)) for v in value):
        return f"{spelt(value[0])} to {spelt(value[1])}"
    if isinstance(value, list):
        return "; ".join(map(str, value))
    return str(value)
