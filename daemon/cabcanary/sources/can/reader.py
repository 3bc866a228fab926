"""The helper process that owns the CAN bus: hears broadcast signals, polls the engine computer, prints what they say.

Started by the daemon as `python -m cabcanary.sources.can.reader`. The first line of JSON on standard input holds
its settings; `{"ignition": true}` or `false` may follow at any time; when standard input ends, the daemon is gone
and so is this process. Standard output is JSON lines, each written at once:

    {"t": clock ns, "i": "rpm", "v": 1726.0}                     a value, in the item's or signal's unit
    {"t": clock ns, "i": "rpm", "e": "no answer ..."}            why there is none
    {"status": "opening|open|off|silent|lost", "text": "..."}    how it stands, in plain words
    {"counts": {"frames": 1, "told": 1, "thinned": 0}}           now and then

How it speaks to a vehicle. It listens first: for half a second, or until the first good frame. Errors without a
good frame mean that the bus runs at another bit rate; then nothing is sent and it looks again, less and less
often. Good frames prove the bit rate. Where nothing is heard, one single question may find out; without an answer
it goes back to listening only. No other bit rate is ever tried. Without `items` nothing is ever sent at all. When
to ask, and when to let the vehicle sleep, is `obd_poller.Courtesy`.
"""

from __future__ import annotations

import json
import logging
import os
import random
import signal
import sys
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NoReturn

from cabcanary.clocks import make_clock
from cabcanary.processes.status import Backoff
from cabcanary.sources.can.broadcast import Broadcast
from cabcanary.sources.can.can_signals import SignalError, SignalTable, by_hand
from cabcanary.sources.can.dbc import DbcError, load_signals
from cabcanary.sources.can.link import BusErrorsError, Heard, Link, LinkLostError
from cabcanary.sources.can.obd_pids import ITEMS
from cabcanary.sources.can.obd_schedule import Polling
from cabcanary.sources.can.pipe import Guard, Input, Output
from cabcanary.sources.can.slcan_port import close_channel
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Mapping

# Real seconds. A serial adapter on a board that restarts when its port is opened needs about 2 s, which is
# what python-can always waits; native USB adapters need none. Start short, and take the long wait for good
# once an adapter has shown no sign of life.
_SETTLE_SHORT_S, _SETTLE_LONG_S = 0.1, 2.0
_REOPEN_FIRST_S, _REOPEN_CAP_S = 1.0, 10.0
# A running vehicle's bus carries hundreds of frames a second; half a second without one is a quiet bus.
_LISTEN_S = 0.5
_LOOK_AGAIN_FIRST_S, _LOOK_AGAIN_CAP_S = 1.0, 10.0
_QUIET_S = 2.0  # a bus that is only listened to is called silent after this long without a frame
_CLOSE_S = 0.5  # a dead device may block its own closing

NOT_THIS_RATE = "the bus does not speak at {rate} kbit/s; check bitrate"
ADAPTER_LOST = "the CAN adapter is lost"
NOTHING_HEARD = "nothing is heard on the bus"


class SettingsError(ValueError):
    """The line of settings cannot be used."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What the daemon wants: which adapter, which items at which rate (Hz of the clock), and which signals."""

    interface: str
    channel: str
    bitrate: int
    speed: float
    extended: bool
    items: Mapping[str, float]
    signals: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    dbc: str | None = None
    dbc_signals: Mapping[str, str] = field(default_factory=dict)
    pids_per_request: int = 1

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
                signals=dict(raw.get("signals") or {}),
                dbc=raw.get("dbc"),
                dbc_signals={str(name): str(place) for name, place in (raw.get("dbc_signals") or {}).items()},
                pids_per_request=min(6, max(1, int(raw.get("pids_per_request", 1)))),
            )
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise SettingsError(f"unusable settings: {error!r}") from error
        for name, rate in settings.items.items():
            if name not in ITEMS:
                raise SettingsError(f"no OBD item is called '{name}'")
            if not 0.01 <= rate <= 100:
                raise SettingsError(f"a rate of {spelt(rate)} Hz for '{name}' is outside 0.01 to 100")
        return settings

    def table(self) -> SignalTable:
        """The wanted broadcast signals.

        Raises:
            SettingsError: one of them cannot be decoded as described, or is not in the DBC file.
        """
        try:
            signals = [by_hand(name, raw) for name, raw in self.signals.items()]
            if self.dbc_signals:
                signals += load_signals(self.dbc or "", self.dbc_signals)
        except (SignalError, DbcError) as error:
            raise SettingsError(str(error)) from error
        return SignalTable(signals)

    @property
    def names(self) -> list[str]:
        """Everything that is wanted from this bus."""
        return [*self.items, *self.signals, *self.dbc_signals]


class Reader:
    """Opens the bus, listens, polls, and starts again whenever it is lost; `run` only ends by an exception."""

    def __init__(self, settings: Settings, output: Output, guard: Guard) -> None:
        self._settings, self._output, self._guard = settings, output, guard
        self._clock = make_clock(settings.speed)
        self._broadcast = Broadcast(settings.table(), self._clock, output)
        self._polling = Polling(settings.items, settings.pids_per_request, self._clock, output, guard)
        self._reopen = Backoff(_REOPEN_FIRST_S, _REOPEN_CAP_S)
        self._settle_s = _SETTLE_SHORT_S
        self._link: Link | None = None
        self._opening = False
        self._pause = threading.Event()  # never set: a wait without a device to wait on

    def run(self) -> NoReturn:
        """Keep a connection, for ever."""
        self._output.status("opening", f"opening the CAN adapter {self._settings.channel}")
        while True:
            try:
                self._connection()
            except LinkLostError as error:
                self._lost(error)
            finally:
                self.close()
            self._guard.alive()
            wait_s = self._reopen.next_s(random.random())  # noqa: S311 - spreads tries, no secret
            self._clock.for_wires().wait(self._pause, wait_s)

    def close(self) -> None:
        """Close the bus, if it is open, or was about to be: an end may come at any line of opening it."""
        link, self._link = self._link, None
        if link is not None:
            link.close()
        elif self._opening and self._settings.interface == "slcan":
            close_channel(self._settings.channel)
        self._opening = False

    def _lost(self, error: LinkLostError) -> None:
        never_heard = self._link is None or not self._link.frames
        if isinstance(error, BusErrorsError) and never_heard:
            self._say_wrong_rate()
            return
        self._output.status("lost", f"{error}. Check that it is plugged in; trying again")
        self._missing(ADAPTER_LOST)

    def _connection(self) -> None:
        """From opening the adapter to losing it; returns when it should be opened with more patience."""
        s = self._settings
        self._opening = True
        link = self._link = Link.open(s.interface, s.channel, s.bitrate, self._settle_s, self._clock)
        self._guard.alive()
        self._broadcast.restart()
        link.watcher = self._broadcast
        if not self._listen_first(link):
            return
        self._reopen.reset()
        if not s.items:
            self._only_listen(link)
        self._polling.connect(link, self._broadcast, extended=s.extended)
        while True:
            try:
                self._polling.step()
                if self._polling.asked and self._needs_patience(link):
                    return
            except BusErrorsError:
                if link.frames:
                    raise
                self._listen_for_good(link)

    def _listen_first(self, link: Link) -> bool:
        """Hear what the bus carries before anything is sent; False to open the adapter anew instead."""
        heard = link.listen(_LISTEN_S)
        self._guard.alive()
        # Many adapters acknowledge commands, and all of them frames: where one will be sent, wait for that.
        if not self._settings.items and self._needs_patience(link):
            return False
        if heard is Heard.ERRORS:
            self._listen_for_good(link)
        return True

    def _needs_patience(self, link: Link) -> bool:
        """Whether a serial adapter has shown no sign of life yet: it may still be starting, and gets the long wait."""
        if link.heard or self._settle_s >= _SETTLE_LONG_S or self._settings.interface != "slcan":
            return False
        self._settle_s = _SETTLE_LONG_S
        return True

    def _listen_for_good(self, link: Link) -> None:
        """The bit rate is contradicted: send nothing until a good frame proves it after all."""
        self._say_wrong_rate()
        wait = Backoff(_LOOK_AGAIN_FIRST_S, _LOOK_AGAIN_CAP_S)
        link.listen_only(True)
        while link.listen(wait.next_s(random.random())) is not Heard.FRAMES:  # noqa: S311 - spreads looks
            self._guard.alive()

    def _only_listen(self, link: Link) -> NoReturn:
        """Nothing is asked from this bus, so nothing is ever sent."""
        frames, quiet_s, filtered = -1, 0.0, False
        while True:
            self._guard.alive()
            if link.frames != frames:
                frames, quiet_s = link.frames, 0.0
                if frames:
                    if not filtered:
                        link.want(self._broadcast.frames_wanted, obd=None)
                        filtered = True
                    self._output.status(
                        "open", f"listening at {spelt(self._settings.bitrate / 1000)} kbit/s, sending nothing"
                    )
            heard = link.listen(_LISTEN_S) if not frames else None
            if heard is Heard.ERRORS:
                self._listen_for_good(link)
            elif heard is None:
                link.run(_LISTEN_S)
            quiet_s += _LISTEN_S
            if quiet_s >= _QUIET_S and link.frames == frames:
                link.want(None, obd=None)
                filtered = False
                if self._output.status("silent", f"{NOTHING_HEARD}: turn the key on; check the plug"):
                    self._missing(NOTHING_HEARD)

    def _say_wrong_rate(self) -> None:
        words = NOT_THIS_RATE.format(rate=spelt(self._settings.bitrate / 1000))
        if self._output.status("lost", words):
            self._missing(words)

    def _missing(self, why: str) -> None:
        self._output.missing(self._clock.now_ns(), self._settings.names, why)


def _terminate(_signal: int, _frame: object) -> NoReturn:
    raise SystemExit(0)


def main() -> int:
    """Read the settings, then listen and poll until told to stop."""
    output = Output(sys.stdout.fileno())
    lines = Input(sys.stdin.fileno())
    try:
        line, early = lines.first()
        settings = Settings.parse(line)
        guard = Guard(lines, output, early)
        reader = Reader(settings, output, guard)
    except ValueError as error:
        output.status("lost", str(error))
        return 2
    signal.signal(signal.SIGTERM, _terminate)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a terminal's Ctrl-C is the daemon's to act on
    for library in ("can", "isotp", "cantools"):
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
