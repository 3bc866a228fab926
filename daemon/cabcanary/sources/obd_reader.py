"""The helper process that owns the CAN bus: polls the engine computer and prints what it says.

Started by the daemon as `python -m cabcanary.sources.obd_reader`. One line of JSON on standard input holds
its settings; when standard input ends, the daemon is gone and so is this process. Standard output is JSON
lines, each written at once:

    {"t": clock ns, "i": "rpm", "v": 1726.0}                 a value, in the item's unit
    {"t": clock ns, "i": "rpm", "e": "no answer ..."}        why there is none
    {"status": "opening|open|silent|lost", "text": "..."}    what to do, in plain words
"""

from __future__ import annotations

import json
import logging
import os
import select
import signal
import sys
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NoReturn

from cabcanary.clock import NS_PER_S, Clock
from cabcanary.sources import obd_pids
from cabcanary.sources.obd_link import Ecu, Link, LinkLostError, NoAnswerError
from cabcanary.sources.obd_pids import ITEMS, ObdError, Scaling
from cabcanary.sources.obd_poller import Backoff, Poller

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

NO_ANSWER = "no answer from the engine computer"
NOT_SUPPORTED = "not supported by this vehicle"
NOT_CARRIED = "not carried by this vehicle's answer"
NO_SCALE = "the engine computer did not say how it scales this"

# Real seconds. A serial adapter on a board that restarts when its port is opened needs about 2 s, which is
# what python-can always waits; native USB adapters need none. Start short, and take the long wait for good
# once an adapter has shown no sign of life.
_SETTLE_SHORT_S, _SETTLE_LONG_S = 0.1, 2.0
_REOPEN_FIRST_S, _REOPEN_CAP_S = 0.5, 10.0
_ASK_AGAIN_FIRST_S, _ASK_AGAIN_CAP_S = 0.25, 2.0  # the cap is how late values return after a key-on
_SILENT_AFTER = 3  # questions in a row without an answer; one lost frame is no silence
_TRIES = 3  # for each question that is asked once per connection
_IDLE_S = 0.5  # longest wait without a look around; also paces the guard's proof of life
_GUARD_S = 20.0  # over the longest legitimate wait: response pending, 15 s
_CLOSE_S = 0.5  # a dead device may block its own closing


class SettingsError(ValueError):
    """The line of settings cannot be used."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the daemon wants: which adapter, and which items at which rate (Hz of the clock)."""

    interface: str
    channel: str
    bitrate: int
    speed: float
    extended: bool
    items: Mapping[str, float]

    @classmethod
    def parse(cls, line: bytes | str) -> Settings:
        """One line of JSON -> settings.

        Raises:
            SettingsError: not JSON, a key missing, an unknown item, a rate outside 0.01 to 100 Hz.
        """
        try:
            raw = json.loads(line)
            settings = cls(
                interface=str(raw["interface"]),
                channel=str(raw["channel"]),
                bitrate=int(raw["bitrate"]),
                speed=float(raw.get("speed", 1.0)),
                extended=bool(raw.get("extended", False)),
                items={str(name): float(rate) for name, rate in raw["items"].items()},
            )
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise SettingsError(f"unusable settings: {error!r}") from error
        for name, rate in settings.items.items():
            if name not in ITEMS:
                raise SettingsError(f"no OBD item is called '{name}'")
            if not 0.01 <= rate <= 100:
                raise SettingsError(f"a rate of {rate:g} Hz for '{name}' is outside 0.01 to 100")
        return settings


class Output:
    """JSON lines to the daemon. Each is one write, so lines of two threads never mix."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._last: tuple[str, str] | None = None

    def value(self, time_ns: int, item: str, value: float) -> None:
        """A value, in the item's unit."""
        self._line({"t": time_ns, "i": item, "v": value})

    def missing(self, time_ns: int, items: Iterable[str], why: str) -> None:
        """No value, and why."""
        for item in items:
            self._line({"t": time_ns, "i": item, "e": why})

    def status(self, status: str, text: str) -> None:
        """What the connection is doing; said once, not at every retry."""
        if (status, text) != self._last:
            self._last = (status, text)
            self._line({"status": status, "text": text})

    def _line(self, content: dict[str, Any]) -> None:
        line = (json.dumps(content, ensure_ascii=False) + "\n").encode()
        while line:
            line = line[os.write(self._fd, line) :]


class Guard(threading.Thread):
    """Ends the process at once when the daemon is gone, and when the main thread is stuck in a device."""

    def __init__(self, stdin: int, output: Output) -> None:
        super().__init__(name="guard", daemon=True)
        self._stdin, self._output, self._real = stdin, output, Clock()
        self._alive_ns = self._real.now_ns()

    def alive(self) -> None:
        """The main thread is still going round."""
        self._alive_ns = self._real.now_ns()

    def run(self) -> None:
        """Wait for the end of standard input."""
        while True:
            ready, _, _ = select.select([self._stdin], [], [], 1.0)
            # os._exit: whatever the main thread hangs in must not delay this, and nothing needs tidying.
            if ready and not os.read(self._stdin, 4096):
                os._exit(0)
            if self._real.now_ns() - self._alive_ns > _GUARD_S * NS_PER_S:
                self._output.status("lost", "the CAN adapter blocks: unplug it and plug it in again")
                os._exit(3)


class Reader:
    """Opens the bus, polls, and starts again whenever it is lost; `run` only ends by an exception."""

    def __init__(self, settings: Settings, output: Output, guard: Guard) -> None:
        self._settings, self._output, self._guard = settings, output, guard
        self._clock = Clock(settings.speed)
        self._poller = Poller(settings.items)
        self._reopen = Backoff(_REOPEN_FIRST_S, _REOPEN_CAP_S)
        self._ask_again = Backoff(_ASK_AGAIN_FIRST_S, _ASK_AGAIN_CAP_S)
        self._settle_s = _SETTLE_SHORT_S
        self._scaling = Scaling()
        self._link: Link | None = None
        self._pause = threading.Event()  # never set: a wait without a device to wait on

    def run(self) -> NoReturn:
        """Keep a connection, for ever."""
        self._output.status("opening", f"opening the CAN adapter {self._settings.channel}")
        while True:
            try:
                self._connection()
            except LinkLostError as error:
                self._output.status("lost", f"{error}. Check that it is plugged in; trying again")
                self._all_missing("the CAN adapter is lost")
            finally:
                self.close()
            self._guard.alive()
            self._pause.wait(self._reopen.next_s())

    def close(self) -> None:
        """Close the bus, if it is open."""
        link, self._link = self._link, None
        if link is not None:
            link.close()

    def _connection(self) -> None:
        """From opening the adapter to losing it; returns when it should be opened with more patience."""
        s = self._settings
        link = self._link = Link.open(s.interface, s.channel, s.bitrate, self._settle_s)
        self._guard.alive()
        ecu = Ecu(link, self._clock, extended=s.extended)
        if not self._meet(ecu, link):
            return
        self._reopen.reset()
        failures = 0
        while True:
            self._guard.alive()
            now = self._clock.now_ns()
            pid = self._poller.due(now)
            if pid is None:
                self._wait(ecu)
                continue
            self._poller.asked(pid, now)
            if self._ask(ecu, pid):
                if failures >= _SILENT_AFTER:
                    self._say_open(ecu)
                failures = 0
                continue
            failures += 1
            if failures >= _SILENT_AFTER:
                self._fell_silent(ecu)

    def _wait(self, ecu: Ecu) -> None:
        due = self._poller.next_due_ns()
        ecu.idle(_IDLE_S if due is None else min(_IDLE_S, self._clock.real_until(due)))

    def _ask(self, ecu: Ecu, pid: int) -> bool:
        """One question and what came of it; whether there was any answer."""
        wanted = self._poller.wanted[pid]
        try:
            answer = ecu.ask(pid)
            values = obd_pids.decode(pid, answer.data, self._scaling)
        except NoAnswerError:
            self._output.missing(self._clock.now_ns(), wanted, NO_ANSWER)
            return False
        except ObdError as error:
            self._output.missing(self._clock.now_ns(), wanted, str(error))
            return True
        for name in wanted:
            if name in values:
                self._output.value(answer.time_ns, name, values[name])
            else:
                self._output.missing(answer.time_ns, (name,), NOT_CARRIED)
        return True

    def _meet(self, ecu: Ecu, link: Link) -> bool:
        """Ask until the engine computer says what it supports; False to open the adapter anew instead."""
        self._ask_again.reset()
        while True:
            self._guard.alive()
            try:
                supported = self._supported(ecu)
                break
            except NoAnswerError:
                self._output.status("silent", f"{NO_ANSWER}: turn the key on; check the diagnostic plug")
                self._all_missing(NO_ANSWER)
            except ObdError as error:
                self._output.status("silent", f"the engine computer does not say what it supports: {error}")
                self._all_missing(str(error))
            if not link.heard and self._settle_s < _SETTLE_LONG_S:
                self._settle_s = _SETTLE_LONG_S
                return False
            ecu.idle(self._ask_again.next_s())
        unsupported = self._poller.start(supported, self._clock.now_ns())
        self._output.missing(self._clock.now_ns(), unsupported, NOT_SUPPORTED)
        self._read_scaling(ecu, supported)
        self._say_open(ecu)
        return True

    def _supported(self, ecu: Ecu) -> frozenset[int]:
        """The PIDs of the table that the engine computer supports, from its chain of bitmaps."""
        pids: set[int] = set()
        for _ in range(_TRIES):  # the engine's answer may be lost while another unit's is not
            self._guard.alive()
            pids = set(ecu.find())
            if ecu.engine == ecu.first:
                break
        for base in (0x20, 0x40):
            if base not in pids:
                break
            pids |= obd_pids.supported(base, self._insist(ecu, base))
        return frozenset(pids)

    def _insist(self, ecu: Ecu, pid: int) -> bytes:
        """Ask once per connection, so not give up at the first lost frame.

        Raises:
            NoAnswerError, ObdError: of the last try.
        """
        for _ in range(_TRIES - 1):
            self._guard.alive()
            try:
                return ecu.ask(pid).data
            except (NoAnswerError, ObdError):
                ecu.idle(_ASK_AGAIN_FIRST_S)
        self._guard.alive()
        return ecu.ask(pid).data

    def _read_scaling(self, ecu: Ecu, supported: frozenset[int]) -> None:
        """Read PID 4F, or stop polling what depends on it: a wrong scale is a plausible, wrong value."""
        self._scaling = Scaling()
        dependent = [pid for pid in self._poller.active if obd_pids.is_rescaled(pid)]
        if obd_pids.SCALING_PID not in supported or not dependent:
            return
        try:
            self._scaling = Scaling.from_4f(self._insist(ecu, obd_pids.SCALING_PID))
        except (NoAnswerError, ObdError):
            for pid in dependent:
                self._poller.drop(pid)
                self._output.missing(self._clock.now_ns(), self._poller.wanted[pid], NO_SCALE)

    def _fell_silent(self, ecu: Ecu) -> None:
        """Leave a silent engine computer alone for a growing while."""
        self._output.status("silent", f"{NO_ANSWER}: turn the key on; check the diagnostic plug")
        for pid in self._poller.active:
            self._output.missing(self._clock.now_ns(), self._poller.wanted[pid], NO_ANSWER)
        ecu.idle(self._ask_again.next_s())

    def _say_open(self, ecu: Ecu) -> None:
        self._ask_again.reset()
        polled, wanted = len(self._poller.active), len(self._poller.wanted)
        who = f"{ecu.engine:X}" if ecu.engine is not None else "?"
        self._output.status("open", f"the engine computer {who} answers; {polled} of {wanted} PIDs polled")

    def _all_missing(self, why: str) -> None:
        self._output.missing(self._clock.now_ns(), self._settings.items, why)


def _terminate(_signal: int, _frame: object) -> NoReturn:
    raise SystemExit(0)


def main() -> int:
    """Read the settings, then poll until told to stop."""
    output = Output(sys.stdout.fileno())
    try:
        settings = Settings.parse(sys.stdin.buffer.readline())
        guard = Guard(sys.stdin.fileno(), output)
        reader = Reader(settings, output, guard)
    except ValueError as error:
        output.status("lost", str(error))
        return 2
    signal.signal(signal.SIGTERM, _terminate)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a terminal's Ctrl-C is the daemon's to act on
    for library in ("can", "isotp"):
        logging.getLogger(library).setLevel(logging.CRITICAL)  # said in our own words, once
    guard.start()
    try:
        reader.run()
    except BrokenPipeError:
        return 0  # nobody reads what we say: the daemon is gone
    finally:
        # A device that hangs in its own closing must not keep the process.
        last = threading.Timer(_CLOSE_S, os._exit, (0,))
        last.daemon = True
        last.start()
        reader.close()


if __name__ == "__main__":
    sys.exit(main())
