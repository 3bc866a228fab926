"""A reload that cannot be carried out is told, whatever is in the way, and can be asked for again."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from cabcanary.model import SETTINGS_REFUSED, Event
from cabcanary.plan.loading import NotLoadedError
from cabcanary.plan.plan import load_plan
from cabcanary.runtime import reloading
from cabcanary.runtime.reloading import Reloading
from cabcanary_bench.paths import config_folder


class Told:
    def __init__(self, take: Any = lambda _: None) -> None:
        self.events: list[Event] = []
        clock: Any = SimpleNamespace(now_ns=lambda: 1)
        self.reloading = Reloading(clock, self.events.append, take)
        self.plan = load_plan(config_folder() / "hill-estate.toml")

    async def ask(self) -> str:
        assert self.reloading.ask(self.plan)
        # Not twice at once.
        assert not self.reloading.ask(self.plan)
        while not self.reloading._under_way.done():  # type: ignore[union-attr]
            await asyncio.sleep(0.001)
        (event,) = self.events
        self.events.clear()
        assert (event.what, event.data["ok"]) == (SETTINGS_REFUSED, False)
        return event.text


async def test_a_card_that_does_not_answer_is_not_waited_for_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    async def hangs(_: Path) -> None:
        await asyncio.sleep(3600)

    monkeypatch.setattr(reloading, "load_elsewhere", hangs)
    monkeypatch.setattr(reloading, "_LONGEST_S", 0.05)
    told = Told()
    assert "the card does not answer" in await told.ask()
    assert "the card does not answer" in await told.ask()


async def test_a_fault_of_our_own_in_taking_them_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def stumbles(_: object) -> None:
        raise ZeroDivisionError("a bug")

    told = Told(stumbles)

    async def loads(_: Path) -> object:
        return told.plan

    monkeypatch.setattr(reloading, "load_elsewhere", loads)
    assert "ZeroDivisionError: a bug; please report it" in await told.ask()


async def test_what_reads_them_and_ends_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    async def ends(_: Path) -> None:
        raise NotLoadedError("what reads the settings ended with code -9")

    monkeypatch.setattr(reloading, "load_elsewhere", ends)
    assert "ended with code -9" in await Told().ask()
