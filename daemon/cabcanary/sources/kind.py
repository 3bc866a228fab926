"""What a kind of source must say of itself: one row of `sources.kinds`, and what its functions are given and give."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary.validation.base import Strict

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping
    from pathlib import Path

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Status
    from cabcanary.sources.running import Running
    from cabcanary.sources.slot import Slots


class SourceSettings(Strict):
    """What the settings of every source have: the kind, by which the others are told apart."""

    kind: str


class Wanted(NamedTuple):
    """An item that a channel reads: the channel's unit, the unit it gives the wire, whether a curve lies between."""

    item: str
    unit: str
    wire_unit: str | None = None
    curved: bool = False

    @property
    def said(self) -> str:
        """The unit of the number on the wire as far as the channel says it; empty where a curve hides it."""
        return self.wire_unit or ("" if self.curved else self.unit)


class Fault(NamedTuple):
    """What is wrong: the key's path in the settings, the message, the likely fix."""

    path: tuple[str | int, ...]
    message: str
    fix: str


class ItemError(ValueError):
    """A channel wants of a source what it cannot give; `key` is the key of the channel that is to be mended."""

    def __init__(self, key: str, message: str, fix: str) -> None:
        super().__init__(message)
        self.key, self.message, self.fix = key, message, fix


class OwnState(NamedTuple):
    """What only the running daemon knows of itself. All are asked from other threads and return at once."""

    recording: Callable[[], bool]
    #: How many ticks were late since the start.
    late_ticks: Callable[[], int]
    #: The longest that the card took to sync during the last minute, s.
    write_latency_s: Callable[[], float]


@dataclass(frozen=True, slots=True)
class Opening:
    """All that a source is opened with, besides its settings."""

    name: str
    #: The items that are wanted, with the unit in which each is expected.
    items: Mapping[str, str]
    clock: Clock
    slots: Slots
    status: Status
    #: To be called with an item when a switch turns on.
    pressed: Callable[[str], None]
    #: Where recordings go.
    folder: Path
    own: OwnState


def _no_faults(*_: Any) -> Iterable[Fault]:
    return ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of source. Its functions are given settings of its own class; none opens a device but `open`."""

    settings: type[SourceSettings]
    #: Makes what reads it.
    open: Callable[[Any, Opening], Running]
    #: The items that it gives, as far as the settings say; None: only the wire knows.
    items: Callable[[Any], Collection[str] | None]
    #: The unit in which it gives an item. Raises ItemError.
    unit: Callable[[Any, Wanted], str]
    #: How `cabcanary listen` shows it, as "module:name" of a `sources.listening.Way`: loaded by that command alone.
    way: str
    #: The lowest and highest number that an item can be, in its unit; None: nothing says so.
    limits: Callable[[Any, str], tuple[float, float] | None] = lambda _spec, _item: None
    #: What it could give if the settings asked for it.
    could: Callable[[], Collection[str]] = tuple
    #: What is wrong with the settings of the source of this name.
    problems: Callable[[str, Any], Iterable[Fault]] = _no_faults
    #: What is wrong with files that they name; given what channels, by name, read of it.
    file_problems: Callable[[str, Any, Mapping[str, Wanted]], Iterable[Fault]] = _no_faults
    #: The pins of this computer that it takes, by item: its items are switches.
    pins: Callable[[Any], Mapping[str, int | str]] = lambda _spec: {}
    #: Its voltages are a converter's own and not numbers that another computer sends.
    converter: bool = False
    #: It tells the time, by which drives are dated.
    tells_time: bool = False

    @property
    def name(self) -> str:
        """The word that settings write."""
        return str(self.settings.model_fields["kind"].annotation.__args__[0])  # type: ignore[union-attr]


def said_unit(_spec: SourceSettings, wanted: Wanted) -> str:
    """For numbers that say nothing of their unit: the settings say in which, or it is the channel's own."""
    return wanted.wire_unit or wanted.unit
