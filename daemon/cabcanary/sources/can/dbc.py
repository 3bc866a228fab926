"""DBC files: the signals that are wanted from one, and what is wrong with it. cantools reads the file.

cantools brings python-can with it, which has no place in the daemon's process. `dbc_problems` and `dbc_units`
therefore ask a short-lived process of their own, `python -m cabcanary.sources.can.dbc`, and may be called from
anywhere; `load_signals` is for the helper process that owns the bus.
"""

from __future__ import annotations

import json
import subprocess
import sys
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.sources.can.can_signals import Bits, Signal, SignalError
from cabcanary.validation.problems import nearest

if TYPE_CHECKING:
    from collections.abc import Mapping

#: What a person is told: the name in the settings, what is wrong, what to do.
Problem = tuple[str, str, str]

_LARGEST_BYTES = 20_000_000  # the largest known are around a tenth of that; a wrong path may be a recording
_PATIENCE_S = 30.0  # the largest file takes about 1 s to read here, and a small computer may need ten times that
_REMEMBERED = 8

# Labels of a value table that mean "no value", in lower case, `_` as a space (common practice in DBC files).
_NO_VALUE = (
    "invalid", "not available", "notavailable", "unavailable", "sna", "signal not available", "no data", "no value",
    "error", "fault", "faulty", "failure", "undefined", "unknown", "init", "not valid",
)  # fmt: skip
# How DBC files write units that have another symbol here.
_UNITS = {
    "cel": "°C", "deg c": "°C", "°c": "°C", "degc": "°C", "celsius": "°C", "deg f": "°F", "kph": "km/h",
    "kmh": "km/h", "kmph": "km/h", "km/hour": "km/h", "volt": "V", "volts": "V", "amp": "A", "amps": "A",
    "percent": "%", "psi": "psi", "rpm": "rpm", "1/min": "rpm", "u/min": "rpm", "r/min": "rpm", "kpa": "kPa",
    "mbar": "mbar", "degrees": "deg", "degree": "deg", "sec": "s", "seconds": "s", "g/sec": "g/s", "v": "V",
    "hpa": "hPa", "mpa": "MPa", "inhg": "inHg",
}  # fmt: skip


class DbcError(ValueError):
    """The file cannot be used; `fix` says what to do."""

    def __init__(self, message: str, fix: str) -> None:
        super().__init__(message)
        self.fix = fix


def _load(path: str) -> Any:
    """The file as cantools' database.

    Raises:
        DbcError: it is not there, cannot be read, or is no DBC file.
    """
    import cantools.database

    try:
        data = Path(path).read_bytes() if Path(path).stat().st_size <= _LARGEST_BYTES else None
    except OSError as error:
        raise DbcError(
            f"{path}: {error.strerror or error}", "give the path of the DBC file, and allow reading"
        ) from error
    if data is None:
        raise DbcError(f"{path} is too large for a DBC file", "give the path of the DBC file")
    # Not strict: a file with overlapping signals or signals beyond their message is still right about the others,
    # and a frame too short for its signal gives no value anyway.
    try:
        return cantools.database.load_string(data.decode("cp1252", "replace"), "dbc", strict=False)
    except Exception as error:  # its parser raises whatever the text makes it stumble over
        first = (str(error).splitlines() or [""])[0]
        raise DbcError(
            f"{path} is no DBC file: {first or type(error).__name__}", "give a file in the DBC format"
        ) from error


def _find(database: Any, path: str, place: str) -> tuple[Any, Any]:
    """'MESSAGE.SIGNAL' -> cantools' message and signal.

    Raises:
        DbcError: no such thing.
    """
    message_name, dot, signal_name = place.partition(".")
    messages = {message.name: message for message in database.messages}
    if not dot or not signal_name:
        raise DbcError(f"'{place}' is no MESSAGE.SIGNAL", "write the message's name, a dot, the signal's name")
    if message_name not in messages:
        here = [f"{m.name}.{signal_name}" for m in database.messages if any(s.name == signal_name for s in m.signals)]
        fix = f"did you mean '{here[0]}'?" if here else _near(message_name, messages)
        raise DbcError(f"{Path(path).name} has no message '{message_name}'", fix)
    message = messages[message_name]
    signals = {signal.name: signal for signal in message.signals}
    if signal_name not in signals:
        raise DbcError(f"message {message_name} has no signal '{signal_name}'", _near(signal_name, signals))
    return message, signals[signal_name]


_FEW = 12  # names that a person can look through; a DBC file has hundreds


def _near(name: str, known: Mapping[str, Any]) -> str:
    fix = nearest(name, known)
    return fix if fix.startswith("did you") or len(known) <= _FEW else f"look it up in the file; it has {len(known)}"


def _signal(name: str, message: Any, signal: Any) -> Signal:
    low, high = signal.minimum, signal.maximum
    has_range = low is not None and high is not None and low < high
    return Signal(
        name=name,
        can_id=message.frame_id,
        extended=message.is_extended_frame,
        bits=_bits(signal),
        signed=signal.is_signed,
        is_float=signal.is_float,
        scale=float(signal.scale),
        offset=float(signal.offset),
        invalid=_invalid(signal),
        low=float(low) if has_range else None,
        high=float(high) if has_range else None,
        when=_conditions(message, signal),
    )


def _bits(signal: Any) -> Bits:
    return Bits(signal.start, signal.length, signal.byte_order == "big_endian")


def _invalid(signal: Any) -> dict[int, str]:
    """Raw numbers whose label in the value table means that there is no value.

    Not where every raw number has a label: there a "fault" is what the signal tells.
    """
    labels = {int(raw): str(label) for raw, label in (signal.choices or {}).items()}
    if signal.is_float or len(labels) >= 1 << signal.length:
        return {}
    return {
        raw: f"the vehicle says '{label}'"
        for raw, label in labels.items()
        if label.lower().replace("_", " ").strip() in _NO_VALUE
    }


def _conditions(message: Any, signal: Any) -> tuple[tuple[Bits, frozenset[int]], ...]:
    """What a multiplexed frame must say for the signal to be in it, the outermost first."""
    by_name = {other.name: other for other in message.signals}
    found: list[tuple[Bits, frozenset[int]]] = []
    inner, seen = signal, set()
    while inner.multiplexer_ids and inner.multiplexer_signal and inner.name not in seen:
        seen.add(inner.name)
        outer = by_name[inner.multiplexer_signal]
        found.insert(0, (_bits(outer), frozenset(inner.multiplexer_ids)))
        inner = outer
    return tuple(found)


def load_signals(path: str, wanted: Mapping[str, str]) -> list[Signal]:
    """The signals of a DBC file, by our names for their 'MESSAGE.SIGNAL'. Imports cantools.

    Raises:
        DbcError: the file cannot be used, or lacks one of them.
    """
    database = _load(path)
    try:
        return [_signal(name, *_find(database, path, place)) for name, place in wanted.items()]
    except SignalError as error:
        raise DbcError(str(error), "write this signal by hand, under signals") from error


def inspect(path: str, wanted: Mapping[str, str]) -> tuple[list[Problem], dict[str, str]]:
    """What is wrong with a DBC file and the names in it, and the units of those that are right. Imports cantools."""
    try:
        database = _load(path)
    except DbcError as error:
        return [("dbc", str(error), error.fix)], {}
    problems: list[Problem] = []
    found: dict[str, str] = {}
    for name, place in wanted.items():
        try:
            message, signal = _find(database, path, place)
            _signal(name, message, signal)
        except DbcError as error:
            problems.append((name, str(error), error.fix))
        except SignalError as error:
            problems.append((name, str(error), "write this signal by hand, under signals"))
        else:
            found[name] = unit_symbol(signal.unit)
    return problems, found


def unit_symbol(text: str | None) -> str:
    """A unit as a DBC file writes it -> our symbol, or nothing where it is none of ours."""
    written = (text or "").strip()
    for candidate in (written, _UNITS.get(written.lower(), "")):
        try:
            return units.unit(candidate).symbol
        except units.UnitError:
            continue
    return ""


def dbc_problems(dbc_path: str, dbc_signals: Mapping[str, str]) -> list[Problem]:
    """Everything wrong with a DBC file and the names wanted from it: (name, message, fix).

    The name is our name of the signal, or "dbc" for the file itself.
    """
    return _look(dbc_path, dbc_signals)[0]


def dbc_units(dbc_path: str, dbc_signals: Mapping[str, str]) -> dict[str, str]:
    """The unit of every signal that the file has, as our symbol; "" where the file gives none of ours."""
    return _look(dbc_path, dbc_signals)[1]


def _look(path: str, wanted: Mapping[str, str]) -> tuple[list[Problem], dict[str, str]]:
    try:
        stat = Path(path).stat()
        stamp = (stat.st_mtime_ns, stat.st_size)
    except OSError:
        stamp = (0, 0)
    return _ask(path, tuple(wanted.items()), stamp)


@lru_cache(maxsize=_REMEMBERED)
def _ask(
    path: str, wanted: tuple[tuple[str, str], ...], _stamp: tuple[int, int]
) -> tuple[list[Problem], dict[str, str]]:
    question = json.dumps({"path": path, "wanted": dict(wanted)})
    command = [sys.executable, "-m", "cabcanary.sources.can.dbc"]
    try:
        done = subprocess.run(command, input=question, capture_output=True, text=True, timeout=_PATIENCE_S, check=True)
        problems, found = json.loads(done.stdout)
    except (subprocess.SubprocessError, OSError, ValueError) as error:
        return [("dbc", f"{path} could not be looked at: {error}", "give the path of the DBC file")], {}
    return [(str(name), str(message), str(fix)) for name, message, fix in problems], dict(found)


def main() -> int:
    """Answer one question of `_ask` on standard output."""
    question = json.load(sys.stdin)
    json.dump(inspect(question["path"], question["wanted"]), sys.stdout)
    return 0


if __name__ == "__main__":
    sys.exit(main())
