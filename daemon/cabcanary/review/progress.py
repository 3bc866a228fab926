"""How far long work is: shown to a person at a terminal, and to nobody else."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, TypeVar

from tqdm import tqdm

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

T = TypeVar("T")


def shown(
    work: Iterable[T], what: str, unit: str, total: int | None = None, size: Callable[[T], int] = lambda _: 1
) -> Iterator[T]:
    """The pieces of the work; a bar on standard error grows by each one's `size` of `total`, in the unit."""
    with tqdm(total=total, desc=what, unit=f" {unit}", disable=None, file=sys.stderr, leave=False) as bar:
        for piece in work:
            yield piece
            bar.update(size(piece))
