"""Which columns a drive's archive has: how each channel's raw numbers stand, and what times their readings have."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.model import Quality
from cabcanary.recorder.frame_columns import Frames
from cabcanary.store.archive import Column
from cabcanary.store.rows import Rows
from cabcanary.store.sample_columns import NONE_NS
from cabcanary.store.samples import AS_STEPS, Form

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cabcanary.plan.plan import Plan
    from cabcanary.store.sample_columns import Columns


#: How the names of columns of times end, by their step.
_STEPS = {1: "ns", 1000: "us"}
_MOST_32 = 2**31 - 1


class TooNarrowError(Exception):
    """A code does not fit into 32 bits."""


class Layout:
    """The columns of one drive. `forms` says how each channel's numbers stand as whole codes (None: as they are).

    The readings of one source come close behind each other. One column has the time of the first of them, and each
    channel's own says how much later it was read. `step_ns` is what times of readings are whole multiples of, and
    `wide` asks for 64 bits for codes that do not fit into 32.
    """

    def __init__(
        self, header: dict[str, Any], forms: Sequence[Form | None], plan: Plan | None, *, step_ns: int, wide: bool
    ) -> None:
        self._step_ns, self._wide = step_ns, wide
        self._measured = [(name, n, forms[n]) for n, (name, _, _) in enumerate(header["channels"])]
        channel_units = plan.channel_units if plan else {name: "" for name, _, _ in self._measured}
        wires = {m.name: m.wire_symbol for m in plan.pipeline().measured} if plan else {}
        self.names = list(channel_units)
        #: Each source's channels, under the column that has the time of the first of them.
        self._scans: dict[str, list[tuple[str, int]]] = {}
        columns: dict[str, str] = {}
        raw: dict[str, dict[str, Any]] = {}
        for name, n, form in self._measured:
            time = columns.setdefault(header["channels"][n][1], f"{name}_read_{_STEPS[step_ns]}")
            self._scans.setdefault(time, []).append((name, n))
            said: dict[str, Any] = {"unit": wires.get(name, ""), "time": time} | (form.as_json() if form else {})
            raw[name] = said | ({} if step_ns == 1 else {"time_step_ns": step_ns})
        for scan in self._scans.values():
            if len(scan) > 1:
                for name, _ in scan:
                    raw[name]["later"] = f"{name}_later_{_STEPS[step_ns]}"
        self.columns = [Column(name, unit, raw.get(name)) for name, unit in channel_units.items()]

    def rows(self, columns: Columns, frames: Frames | None) -> Rows:
        """The ticks as the archive keeps them; without frames their values are absent."""
        frames = frames or self._absent(len(columns))
        raw = {}
        for name, n, form in self._measured:
            numbers = columns.numbers[n]
            raw[name] = numbers if form is None else self._codes(numbers, columns.qualities[n] == Quality.GOOD, form)
        read, later = {}, {}
        for time, scan in self._scans.items():
            times = columns.read_ns[[n for _, n in scan]]
            none = times == NONE_NS
            # The first that has a reading at all.
            first = times[np.argmin(none, axis=0), np.arange(len(columns))]
            read[time] = np.ma.masked_array(first // self._step_ns, mask=np.all(none, axis=0))
            if len(scan) > 1:
                for row, (name, _) in enumerate(scan):
                    gap = np.where(none[row], 0, times[row] - first)
                    column = f"{name}_later_{_STEPS[self._step_ns]}"
                    later[column] = np.ma.masked_array(gap // self._step_ns, mask=none[row])
        return Rows(columns.tick_ns, frames.values, frames.qualities, frames.doubts, raw, read, later)

    def _codes(self, numbers: NDArray[np.float64], there: NDArray[np.bool_], form: Form) -> Any:
        codes = _codes(numbers, there, form)
        if self._wide:
            return codes
        if codes.size and np.max(np.abs(codes.data)) > _MOST_32:
            raise TooNarrowError
        return codes.astype(np.int32)

    def _absent(self, count: int) -> Frames:
        nothing, absent = np.full(count, np.nan), np.full(count, Quality.ABSENT, dtype=np.uint8)
        zero = np.zeros(count)
        return Frames(
            dict.fromkeys(self.names, nothing), dict.fromkeys(self.names, absent), dict.fromkeys(self.names, zero)
        )


def _codes(numbers: NDArray[np.float64], there: NDArray[np.bool_], form: Form) -> Any:
    """The whole codes that stand for numbers; `Form.code` in arrays."""
    known = np.where(there, numbers, 0.0)
    if form.kind == AS_STEPS:
        codes = np.rint(known / form.a - form.b).astype(np.int64)
        back = (codes + form.b) * form.a
    else:
        codes = np.rint(known * form.a).astype(np.int64)
        back = codes / form.a
    assert np.all((back == known) | ~there), "a form that does not give back every number"
    return np.ma.masked_array(codes, mask=~there)
