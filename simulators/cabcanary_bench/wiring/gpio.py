"""Simulated pins that write down every change: GPIOZERO_PIN_FACTORY=cabcanary-bench."""

from __future__ import annotations

import json
import os
from collections import deque
from typing import TYPE_CHECKING, Any, TextIO

from gpiozero.pins.mock import MockFactory, MockPWMPin

from cabcanary.clocks import make_clock

if TYPE_CHECKING:
    from pathlib import Path

#: The environment variable that names the file; unset, changes are only kept in memory.
PINS_VARIABLE = "CABCANARY_BENCH_PINS"
_KEPT = 100_000


class RecordingPin(MockPWMPin):  # type: ignore[misc]  # gpiozero has no type information
    """A pin that tells its factory about every change of state or frequency."""

    def _change_state(self, value: Any) -> bool:
        changed: bool = super()._change_state(value)
        if changed:
            self.factory.record(self)
        return changed

    def _set_frequency(self, value: Any) -> None:
        before = self._frequency
        super()._set_frequency(value)
        if value is not None and value != before:
            self.factory.record(self)


class RecordingFactory(MockFactory):  # type: ignore[misc]  # gpiozero has no type information
    """Pins by the mock factory, with a record: one JSON object a line, {"t", "pin", "state", "frequency"}.

    `t` is monotonic, ns, by the bench's clock where there is one, else by the kernel's. `state` is 0 to 1, a duty
    cycle on a pin with a frequency in Hz.
    """

    def __init__(self, revision: str | None = None, pin_class: type[RecordingPin] = RecordingPin) -> None:
        super().__init__(revision, pin_class)
        self.changes: deque[dict[str, Any]] = deque(maxlen=_KEPT)
        self._clock = make_clock(1.0)
        path = os.environ.get(PINS_VARIABLE)
        # Line-buffered: a reader sees each change at once, and a killed process loses none.
        self._file: TextIO | None = open(path, "a", buffering=1, encoding="ascii") if path else None  # noqa: SIM115

    def record(self, pin: RecordingPin) -> None:
        """Write down how a pin is now."""
        change = {
            "t": self._clock.now_ns(),
            "pin": pin.info.name,
            "state": float(pin.state),
            "frequency": pin.frequency,
        }
        self.changes.append(change)
        if self._file is not None:
            self._file.write(json.dumps(change) + "\n")

    def close(self) -> None:
        """Close the pins, and then the record."""
        super().close()
        if self._file is not None:
            self._file.close()
            self._file = None


def read_changes(path: Path) -> list[dict[str, Any]]:
    """Every change in a record file, in order; a last line still being written is left out."""
    lines = path.read_text(encoding="ascii").splitlines(keepends=True)
    return [json.loads(line) for line in lines if line.endswith("\n")]
