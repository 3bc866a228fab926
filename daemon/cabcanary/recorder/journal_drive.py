"""A drive as its journal kept it: header, events and readings, and the frames that the live code makes of them."""

from __future__ import annotations

from abc import ABC, abstractmethod
from array import array
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.plan.plan import Plan, plan_from_texts
from cabcanary.settings.load import rules_from_text, settings_from_text
from cabcanary.store.baselines import Baselines
from cabcanary.store.journal import FORMAT, Block, BlockKind, block_at, crc_of, decode_events, decode_json, read_blocks
from cabcanary.store.sample_columns import Columns, columns_of, decode_columns, joined, ticks_of
from cabcanary.store.samples import FORM, HEAD, Form, Tick, common_form, forms_of
from cabcanary.store.samples_v1 import decode_old_samples

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cabcanary.model import Frame
    from cabcanary.store.journal import Journal

#: How many blocks are taken at once: five minutes at 50 Hz.
BLOCKS_PER_PIECE = 577
#: And how many are held unpacked: 10 s. Twice as many take 3 MB more, and save an eighth of the time.
_BLOCKS_AT_ONCE = 20


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

    @property
    def keys(self) -> list[tuple[str, str]]:
        """Source and item of each channel."""
        return [(str(source), str(item)) for _, source, item in self.header["channels"]]

    @property
    @abstractmethod
    def pieces(self) -> int:
        """How many pieces of a few minutes there are."""

    def piece_numbers(self) -> Iterator[int]:
        """The number of each piece, in order."""
        yield from range(self.pieces)

    @abstractmethod
    def piece(self, number: int) -> Iterator[Columns]:
        """The ticks of a piece in columns, less than a minute at a time: a drive of hours needs no memory of hours.

        Raises:
            ValueError: it does not hold what it says.
        """

    @abstractmethod
    def forms(self) -> list[Form | None]:
        """How each channel's numbers stand as whole codes in all of the drive (None: as they are)."""

    @abstractmethod
    def step_ns(self) -> int:
        """All times of readings are whole multiples of this, ns: 1000, or 1."""

    @property
    def print(self) -> str:
        """Differs between any two drives, and between one that was cut off and the same with more of it."""
        return ""

    def columns(self) -> Iterator[Columns]:
        """Every tick that survived, in order, a piece at a time."""
        last = -1
        for number in range(self.pieces):
            for some in self.piece(number):
                columns = some.going_on(last)
                if len(columns):
                    last = int(columns.tick_ns[-1])
                    yield columns

    def walk(self) -> Iterator[Tick]:
        """Every tick that survived, in order."""
        for columns in self.columns():
            yield from ticks_of(columns, self.keys)

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
    """A journal's content, as far as it survived; its samples stay where they are until they are walked through."""

    def __init__(self, data: Journal) -> None:
        self._data, self._print = data, ""
        header: dict[str, Any] | None = None
        self.end = None
        # Numbers and places of the samples' blocks; of a long drive there are too many for a dictionary.
        sequences, places = array("Q"), array("Q")
        self._heads: set[bytes] = set()
        events: dict[int, list[dict[str, Any]]] = {}
        found: set[int] = set()
        for block in read_blocks(data):
            if block.kind in (BlockKind.SAMPLES, BlockKind.OLD_SAMPLES):
                sequences.append(block.sequence)
                places.append(block.at)
                self._heads.add(self._head_of(block))
                continue
            if block.kind is BlockKind.HEADER and header is None:
                header = decode_json(block.payload)
            if block.sequence in found:
                # A card that wrote a block twice tells nothing new.
                continue
            found.add(block.sequence)
            if block.kind is BlockKind.EVENTS:
                events[block.sequence] = decode_events(block.payload)
            elif block.kind is BlockKind.END:
                self.end = decode_json(block.payload)
        if header is None:
            raise ValueError("no header of the journal survived, so nothing in it has a meaning")
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
        self.events = [event for sequence in sorted(events) for event in events[sequence]]
        # In the order of their numbers, each once: a card may have written its last blocks in another, or twice.
        numbers, first = np.unique(np.asarray(sequences), return_index=True)
        self._places = array("Q", np.asarray(places)[first].tobytes())
        last = max([*found, *numbers[-1:].tolist()])
        self.lost_blocks = last + 1 - len(found) - len(numbers)

    @staticmethod
    def _head_of(block: Block) -> bytes:
        """What a block says of its numbers; empty for the old format."""
        if block.kind is BlockKind.OLD_SAMPLES or len(block.payload) < HEAD.size:
            return b""
        _, channels, unit, _ = HEAD.unpack_from(block.payload)
        return HEAD.pack(0, channels, unit, 0) + block.payload[HEAD.size : HEAD.size + channels * FORM.size]

    @property
    def print(self) -> str:
        """Of all that the journal holds."""
        self._print = self._print or f"{len(self._data)}-{crc_of(self._data):08x}"
        return self._print

    @property
    def pieces(self) -> int:
        """How many pieces of some minutes there are."""
        return -(-len(self._places) // BLOCKS_PER_PIECE)

    def piece(self, number: int) -> Iterator[Columns]:
        """The ticks of some blocks."""
        places = self._places[number * BLOCKS_PER_PIECE : (number + 1) * BLOCKS_PER_PIECE]
        for first in range(0, len(places), _BLOCKS_AT_ONCE):
            yield self._columns(places[first : first + _BLOCKS_AT_ONCE])

    def _columns(self, places: Sequence[int]) -> Columns:
        parts: list[Columns] = []
        payloads: list[bytes] = []
        for place in places:
            block = block_at(self._data, place)
            if block.kind is BlockKind.SAMPLES:
                payloads.append(block.payload)
            else:
                parts += self._decoded(payloads)
                payloads = []
                parts.append(columns_of(decode_old_samples(block.payload, self._keys), len(self._keys)))
        parts += self._decoded(payloads)
        return joined(parts)

    def _decoded(self, payloads: Sequence[bytes]) -> list[Columns]:
        return [decode_columns(payloads, self._keys)] if payloads else []

    def step_ns(self) -> int:
        """What every block has taken its times in."""
        return 1000 if all(head and HEAD.unpack_from(head)[2] == 1000 for head in self._heads) else 1

    def forms(self) -> list[Form | None]:
        """One form for each channel that holds every number of all blocks, where there is one."""
        if b"" in self._heads:
            return [None] * len(self._keys)
        per_block = [forms_of(head) for head in self._heads]
        return [common_form({forms[c] for forms in per_block}) for c in range(len(self._keys))]
