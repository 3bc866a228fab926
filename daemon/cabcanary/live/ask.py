"""Asks the running daemon, at its feed, how things are. Waits for it no longer than said, whatever it does."""

from __future__ import annotations

import contextlib
import json
import os
import socket
import stat
import time
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

from pydantic import ValidationError

from cabcanary import units
from cabcanary.display import Display
from cabcanary.model import SETTINGS_REFUSED, SETTINGS_TAKEN
from cabcanary.settings.outputs import DisplayChoice
from cabcanary.settings.schema import Daemon
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable

#: A daemon that answers does so within a few ticks; on a busy small computer within a second. A hung one never does.
ANSWERS_WITHIN_S = 3.0
#: Where systemd makes the sockets (`RuntimeDirectory=cabcanary`), of which a shell is not told.
UNIT_FOLDER = Path("/run/cabcanary")
_FEED = "feed.sock"
_HUNG = "it hangs, and nobody may be watching the vehicle; start it again"
#: Events that say how a reload went; as the daemon calls them.
_RELOADED = (SETTINGS_TAKEN, SETTINGS_REFUSED)
_CHUNK = 1 << 16
#: An answer of several hundred channels is about 100 kB: what is longer is nobody of ours.
_LONGEST_ANSWER = 1 << 22


class StatusError(Exception):
    """There is no answer; the text says why and what to do, in one line. `wrong`: by the settings or the command."""

    def __init__(self, text: str, *, wrong: bool = False) -> None:
        super().__init__(" ".join(text.split()))
        self.wrong = wrong


def read_daemon_table(file: Path) -> Daemon:
    """Where a settings file has its daemon, whatever else is wrong in it: a daemon goes on with what it has read.

    Raises:
        StatusError: not even that can be read.
    """
    try:
        if not stat.S_ISREG(file.stat().st_mode):
            raise StatusError(f"{file}: is no file; name the settings file (TOML)", wrong=True)
        return Daemon.model_validate(tomllib.loads(file.read_text(encoding="utf-8-sig")).get("daemon", {}))
    except OSError as error:
        raise StatusError(f"{file}: {error.strerror or error}; name the settings file (TOML)", wrong=True) from error
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(["daemon", *map(str, first["loc"])])
        raise StatusError(f"{file}: {where}: {first['msg']}; run: cabcanary check {file}", wrong=True) from error
    except (ValueError, AttributeError, RecursionError) as error:
        raise StatusError(f"{file}: {error}; run: cabcanary check {file}", wrong=True) from error


def read_display(file: Path) -> Display:
    """The owner's units in a settings file; each quantity's own where that cannot be read, for nothing hangs on it."""
    try:
        told = tomllib.loads(file.read_text(encoding="utf-8-sig"))
        shown = DisplayChoice.model_validate(told.get("display", {}))
        fuel = str(told.get("vehicle", {}).get("fuel", Display().fuel))
        units.fuel_ratio(fuel)
        return Display(shown.pressure or "", shown.mixture, fuel)
    except (OSError, ValueError, AttributeError, RecursionError):
        return Display()


def feed_place(daemon: Daemon) -> tuple[Path, bool]:
    """The feed's socket; and whether that is where the unit would have it, and not where the settings say."""
    path = daemon.feed_path
    unit = UNIT_FOLDER / _FEED
    plain = daemon.feed is None and daemon.sockets is None
    with contextlib.suppress(OSError):
        if plain and not path.exists() and unit.exists():
            return unit, True
    return path, False


class Asker:
    """Asks one daemon, again and again on the same connection."""

    def __init__(self, config: Path, wait_s: float = ANSWERS_WITHIN_S) -> None:
        self._config, self._wait_s = config, wait_s
        self._daemon = read_daemon_table(config)
        self._socket: socket.socket | None = None
        self._rest = b""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Hang up. May be called twice."""
        if self._socket is not None:
            self._socket.close()
        self._socket, self._rest = None, b""

    def status(self) -> dict[str, Any]:
        """The daemon's answer, as the feed gives it.

        Raises:
            StatusError: there is no daemon, or it does not answer.
        """
        try:
            return self._ask()
        except BaseException:
            self.close()
            raise

    def reload(self, longest_s: float) -> dict[str, Any]:
        """Have the daemon read its settings again; returns the event that says how that went.

        Raises:
            StatusError: there is no daemon, it does not answer, or it is doing so already.
        """
        try:
            return self._ask_to_reload(longest_s)
        finally:
            self.close()

    def _ask_to_reload(self, longest_s: float) -> dict[str, Any]:
        now = self.status()
        path, _ = feed_place(self._daemon)
        if Path(str(now.get("config"))).resolve() != self._config.resolve():
            raise StatusError(f"the daemon at {path} runs with {now.get('config')}; name that file", wrong=True)
        assert self._socket is not None
        self._socket.sendall(b'{"do": "reload"}\n')

        def answer(message: dict[str, Any]) -> dict[str, Any] | None:
            if "error" in (reply := message.get("reply", {})):
                raise StatusError(f"{reply['error']}; the daemon is of an older version")
            if reply.get("reloading") is False:
                raise StatusError("the settings are being read already; wait a moment")
            event = message.get("event", {})
            return event if "n" in message and event.get("what") in _RELOADED else None

        try:
            return self._wait_for(path, time.monotonic() + longest_s, answer)
        except TimeoutError:
            raise StatusError(f"not read within {spelt(longest_s)} s; see: cabcanary status {self._config}") from None

    def _ask(self) -> dict[str, Any]:
        ends = time.monotonic() + self._wait_s
        path, guessed = feed_place(self._daemon)
        if self._socket is None:
            self._socket = self._connect(path)
        try:
            self._socket.settimeout(self._wait_s)
            self._socket.sendall(b'{"ask": "status"}\n')
            found = self._wait_for(path, ends, _status_in)
        except TimeoutError:
            raise StatusError(f"the daemon at {path} does not answer within {spelt(self._wait_s)} s: {_HUNG}") from None
        except OSError as error:
            raise StatusError(f"the daemon at {path} has gone: {error.strerror or error}; {self._start}") from error
        if guessed and found.get("folder") != str(self._daemon.folder):
            raise StatusError(f"no daemon runs with {self._config}: that at {path} has another folder; {self._start}")
        return found

    @property
    def _start(self) -> str:
        return f"start it: cabcanary run {self._config}"

    def _connect(self, path: Path) -> socket.socket:
        client = socket.socket(socket.AF_UNIX)
        client.settimeout(self._wait_s)
        try:
            if not stat.S_ISSOCK(path.stat().st_mode):
                raise StatusError(f"{path} is no socket: daemon.feed in {self._config} is wrong", wrong=True)
            client.connect(str(path))
        except (OSError, StatusError) as error:
            client.close()
            raise self._unreachable(path, error) from error
        return client

    def _unreachable(self, path: Path, error: OSError | StatusError) -> StatusError:
        none = f"no daemon runs with {self._config}"
        match error:
            case StatusError():
                return error
            case FileNotFoundError() | NotADirectoryError():
                return StatusError(f"{none}: there is no {path}; {self._start}")
            case ConnectionRefusedError():
                return StatusError(f"{none}: {path} is left over from one that was killed; {self._start}")
            case PermissionError():
                return StatusError(f"{path}: permission denied; ask as the daemon's user, or let this one in")
            case TimeoutError() | BlockingIOError():
                return StatusError(f"the daemon at {path} takes no reader: {_HUNG}")
        return StatusError(f"{path}: {error.strerror or error}; see daemon.feed and daemon.folder", wrong=True)

    def _wait_for(
        self, path: Path, ends: float, wanted: Callable[[dict[str, Any]], dict[str, Any] | None]
    ) -> dict[str, Any]:
        """What `wanted` finds in the first message that has it; TimeoutError where none comes."""
        assert self._socket is not None
        greeted = False
        while True:
            *lines, self._rest = self._rest.split(b"\n")
            for n, line in enumerate(lines):
                message = _message(line)
                if message is None:
                    raise StatusError(f"what answers at {path} is no daemon of cabcanary; see daemon.feed", wrong=True)
                greeted = greeted or "hello" in message
                if (found := wanted(message)) is not None:
                    self._rest = b"\n".join([*lines[n + 1 :], self._rest])
                    return found
                if "error" in message:
                    raise StatusError(str(message["error"]))
            left_s = ends - time.monotonic()
            if left_s <= 0 or len(self._rest) > _LONGEST_ANSWER:
                if greeted:
                    raise StatusError(f"the daemon at {path} gives no status: it is of an older version")
                raise TimeoutError
            self._socket.settimeout(left_s)
            try:
                data = self._socket.recv(_CHUNK)
            except TimeoutError:
                continue
            if not data:
                raise StatusError(f"the daemon at {path} has just ended; {self._start}")
            self._rest += data


def _status_in(message: dict[str, Any]) -> dict[str, Any] | None:
    found = message.get("status")
    return found if isinstance(found, dict) else None


def _message(line: bytes) -> dict[str, Any] | None:
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return message if isinstance(message, dict) else None


def name_of(pid: int) -> str:
    """The command of a process of this machine, for a person; empty where it cannot be seen."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().split(b"\0")
    except OSError:
        return ""
    if b"-m" in words[:-1]:
        return words[words.index(b"-m") + 1].decode(errors="replace")
    told = [os.path.basename(w.decode(errors="replace")) for w in words if w and not w.startswith(b"-")]  # noqa: PTH119
    return " ".join(told[1:3] if len(told) > 1 and told[0].startswith("python") else told[:2])
