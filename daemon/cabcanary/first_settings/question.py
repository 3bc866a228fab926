"""One question, and answers by their paths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.first_settings.devices import Places

Raw = dict[str, Any]
Offers: TypeAlias = "Callable[[Raw, Places], list[Offer]]"


@dataclass(frozen=True, slots=True)
class Offer:
    """A numbered answer: words for a person, and what it answers, by the questions' paths."""

    words: str
    values: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Question:
    """One question. `form` says how what is typed is read; see `forms.py`."""

    path: str
    ask: str
    why: str = ""
    form: str = "text"
    #: Whether it makes sense after the answers so far.
    when: Callable[[Raw], bool] = lambda _raw: True
    offers: Callable[[Raw, Places], list[Offer]] = lambda _raw, _places: []
    #: Said where it was looked for something to offer, and nothing is there.
    nothing: str = ""


def get(raw: Raw, path: str) -> Any:
    """The answer at a path such as "wideband.signal"; None while there is none."""
    table, _, key = path.partition(".")
    return raw.get(table, {}).get(key)


def put(raw: Raw, path: str, value: Any) -> Raw:
    """The answers with one more; None takes it away."""
    table, _, key = path.partition(".")
    changed = {**raw.get(table, {}), key: value}
    if value is None:
        changed.pop(key)
    return {**raw, table: changed}
