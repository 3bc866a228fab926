"""Brokers for the messenger's tests."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from broker import Broker

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    brokers: list[Broker] = []

    def make(*, password: bool = False, more: list[str] | None = None) -> Broker:
        brokers.append(Broker(tmp_path, password=password, more=more))
        return brokers[-1]

    yield make
    for made in brokers:
        made.stop()
