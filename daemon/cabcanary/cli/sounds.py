"""`cabcanary sounds`: the sounds as WAV files, as a table, and played one by one for a passenger to confirm."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import sys
from typing import TYPE_CHECKING, Any

from cabcanary.alerts import patterns
from cabcanary.alerts.console import Console
from cabcanary.alerts.outputs import Outputs, loudness_of, watcher_output
from cabcanary.alerts.sounds import ALL, MONITOR_STOPPED, Sound
from cabcanary.clock import Clock
from cabcanary.processes.host import AlreadyWatchedError, claim
from cabcanary.processes.status import Status
from cabcanary.settings.load import load_settings
from cabcanary.spelling import spelt
from cabcanary.validation.problems import SettingsError

if TYPE_CHECKING:
    from pathlib import Path

#: Each file lasts at least this long, so that the rhythm is heard.
_WAV_S = 6.0
_MEANS = {
    "warning": "act now",
    "caution": "act soon",
    "advisory": "know",
    "cannot_see": "the monitor cannot see what matters",
    "monitor_stopped": "nobody watches any more",
    "start_up": "the monitor has started",
    "acknowledged": "your button was taken",
}


class AuditionError(RuntimeError):
    """It did not work; `wrong` when the settings or the command are to blame."""

    def __init__(self, text: str, *, wrong: bool = False) -> None:
        super().__init__(text)
        self.wrong = wrong


def table() -> list[dict[str, Any]]:
    """Every sound as data."""
    return [
        {
            "sound": sound.name,
            "means": _MEANS[sound.name],
            "tones": [[tone.frequency, tone.seconds] for tone in sound.tones],
            "repeats": sound.repeats,
            "urgent": sound.urgent,
        }
        for sound in ALL
    ]


def lines() -> list[str]:
    """Every sound as a line for a person."""
    return [f"{s.name:<16} {_MEANS[s.name]:<36} {_pattern(s)}" for s in ALL]


def _pattern(sound: Sound) -> str:
    tones = " ".join(
        f"{spelt(t.frequency)} Hz {spelt(t.seconds)} s" if t.frequency else f"- {spelt(t.seconds)} s"
        for t in sound.tones
    )
    return tones + ("" if sound.repeats else ", once")


def write_all(folder: Path) -> list[Path]:
    """Write each sound as a WAV file.

    Raises:
        AuditionError: the folder cannot be written.
    """
    from cabcanary.alerts.render import write_wav

    paths = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for sound in ALL:
            paths.append(folder / f"{sound.name}.wav")
            write_wav(sound, paths[-1], _WAV_S)
    except OSError as error:
        raise AuditionError(f"{folder}: {error.strerror or error}") from error
    return paths


def audition(file: Path | None, *, as_json: bool) -> bool:
    """Play each sound by the outputs of a settings file, and ask whether it was heard; True when all were.

    Raises:
        AuditionError: there are no settings, nothing that sounds, or the daemon has the outputs.
    """
    if file is None:
        raise AuditionError("name the settings file whose outputs are to play: sounds --check my-van.toml", wrong=True)
    try:
        settings = load_settings(file).model
        descriptor = claim(settings.daemon.folder)
    except SettingsError as error:
        raise AuditionError(str(error), wrong=True) from error
    except AlreadyWatchedError as error:
        raise AuditionError(str(error)) from error
    heard = asyncio.run(_audition(settings))
    if descriptor >= 0:
        os.close(descriptor)
    if as_json:
        sys.stdout.write(json.dumps({"ok": all(heard.values()), "heard": heard}) + "\n")
    else:
        missed = [name for name, yes in heard.items() if not yes]
        sys.stdout.write("all were noticed\n" if not missed else f"NOT noticed: {', '.join(missed)}\n")
    return all(heard.values())


async def _audition(settings: Any) -> dict[str, bool]:
    say = sys.stderr.write
    console = Console(sys.stderr)
    outputs = Outputs(settings, Clock(), console, lambda name: Status(name, _tell(console)))
    if not outputs.players:
        await asyncio.to_thread(console.close, 1.0)
        raise AuditionError("nothing that sounds is set up or works; add a [buzzer] or a [sound_card]", wrong=True)
    card = asyncio.ensure_future(outputs.sound_card.run()) if outputs.sound_card else None
    say("The passenger listens and answers; the driver drives. This is a monitor, not protection.\n")
    heard = {}
    loudness = loudness_of(settings)
    watcher = watcher_output(settings.watcher, Clock(), console) if settings.watcher is not None else None
    try:
        for sound in ALL:
            # That the monitor has stopped is for the watcher to say, on a line of its own.
            players = [watcher] if watcher is not None and sound is MONITOR_STOPPED else outputs.players
            for player in players:
                player.play(loudness.of(sound), "")
            heard[sound.name] = await _ask(f"{sound.name.replace('_', ' ')} ({_MEANS[sound.name]}): clearly heard?")
            for player in players:
                player.silence()
        if outputs.lamp is not None:
            outputs.lamp.show(patterns.WARNING)
            heard["lamp"] = await _ask("the lamp flashes: clearly seen, without looking for it?")
    finally:
        if watcher is not None:
            watcher.close()
        outputs.close()
        if card is not None:
            card.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await card
        await asyncio.to_thread(console.close, 1.0)
    return heard


async def _ask(question: str) -> bool:
    sys.stderr.write(question + " [y/n] ")
    sys.stderr.flush()
    return (await asyncio.to_thread(sys.stdin.readline)).strip().lower() in ("y", "yes")


def _tell(console: Console) -> Any:
    return lambda _name, _ok, text: console.line(text)
