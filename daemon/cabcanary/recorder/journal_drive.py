"""A drive as its journal kept it: header, events and readings, and the frames that the live code makes of them."""

from __future__ import annotations

from abc import ABC, abstractmethod
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.plan.plan import Plan, plan_from_texts
from cabcanary.settings.load import rules_from_text, settings_from_text
from cabcanary.store.baselines import Baselines
from cabcanary.store.journal import FORMAT, BlockKind, block_at, decode_events, decode_json, read_blocks
from cabcanary.store.samples import Form, Tick, decode_samples, forms_of
from cabcanary.store.samples_v1 import decode_old_samples

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.model import Frame


class NewerFormatError(ValueError):
    """A newer version of the program has written this; it is left for that version to read."""


def plan_of(header: dict[str, Any]) -> Plan:
    """The plan that a drive ran with, from its header or its archive's description.

    Raises:
        SettingsError: this version of the program cannot read that drive's settings.
    """
    settings = settings_from_text(header["settings"], Path("recorded settings"))
    rules = [rules_from_text(text, Path(name)) for name, text in header["rules"].items()]
    return plan_from_texts(settings, rules, Baselines.model_validate(header.get("baselines") or {}))


class Recorded(ABC):
    """What every kept drive can do, however it is kept: `header` and `walk` come from the file."""

    header: dict[str, Any]
    events: list[dict[str, Any]]
    #: What its last block said; None: the drive was cut off.
    end: dict[str, Any] | None
    lost_blocks: int

    @abstractmethod
    def blocks(self) -> Iterator[tuple[list[Tick], list[Form] | None]]:
        """The ticks a piece at a time, and how each channel's numbers stand in it (None: as floats)."""

    def walk(self) -> Iterator[Tick]:
        """Every tick that survived, in order."""
        for ticks, _ in self.blocks():
            yield from ticks

    @property
    def ticks(self) -> list[Tick]:
        """All ticks at once, for a short drive."""
        return list(self.walk())

    def plan(self) -> Plan:
        """The plan that the drive ran with.

        Raises:
            SettingsError: this version of the program cannot read that drive's settings.
        """
        return plan_of(self.header)

    def walk_frames(self, plan: Plan) -> Iterator[tuple[Tick, Frame]]:
        """Every tick with its frame, computed again by the live code from the raw readings."""
        pipeline = plan.pipeline()
        pipeline.restore(self.header["channels_state"])
        recorded = {name: n for n, (name, _, _) in enumerate(self.header["channels"])}
        keys = [(m.key, recorded[m.name]) for m in pipeline.measured if m.name in recorded]
        for tick in self.walk():
            time_ns, readings = tick
            newest = {k: r for k, n in keys if (r := readings[n]) is not None}
            yield tick, pipeline.step(newest, time_ns)

    def frames(self, plan: Plan) -> list[Frame]:
        """All frames at once, for a short drive."""
        return [frame for _, frame in self.walk_frames(plan)]


class Drive(Recorded):
    """A journal's content, as far as it survived; its samples stay packed until they are walked through."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        header: dict[str, Any] | None = None
        self.events = []
        self.end = None
        # Where the samples stand, by sequence: a card may have written its last blocks in another order.
        self._samples: dict[int, int] = {}
        found: set[int] = set()
        for block in read_blocks(data):
            found.add(block.sequence)
            if block.kind in (BlockKind.SAMPLES, BlockKind.OLD_SAMPLES):
                self._samples.setdefault(block.sequence, block.at)
            elif block.kind is BlockKind.HEADER and header is None:
                header = decode_json(block.payload)
            elif block.kind is BlockKind.EVENTS:
                self.events += decode_events(block.payload)
            elif block.kind is BlockKind.END:
                self.end = decode_json(block.payload)
        if header is None:
            raise ValueError("the journal's first block did not survive, so nothing in it has a meaning")
        try:
            self._keys = [(str(source), str(item)) for _, source, item in header["channels"]]
            newer = header.get("format", 1) > FORMAT
        except (TypeError, KeyError) as error:
            raise ValueError("the journal's header does not say what a header says") from error
        if newer:
            raise NewerFormatError(
                f"written by a newer version of the program ({header.get('software')}); "
                "install that version to archive this drive"
            )
        self.header = header
        self.lost_blocks = max(found) + 1 - len(found)

    def blocks(self) -> Iterator[tuple[list[Tick], list[Form] | None]]:
        """The ticks of each samples block: a drive of hours needs no memory of hours."""
        last = -1
        for sequence in sorted(self._samples):
            block = block_at(self._data, self._samples[sequence])
            if block.kind is BlockKind.SAMPLES:
                ticks, forms = decode_samples(block.payload, self._keys), forms_of(block.payload)
            else:
                ticks, forms = decode_old_samples(block.payload, self._keys), None
            if ticks and ticks[0][0] <= last:
                ticks = [t for t in ticks if t[0] > last]
            if ticks:
                last = ticks[-1][0]
                yield ticks, forms
