"""`cabcanary status` beside a real daemon: what it sees, and one clear line where nothing answers."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import jsonschema_rs
import pytest
from harness import Ride, command, wait_for
from on_a_terminal import OnATerminal, plain

from cabcanary.live.page import columns
from cabcanary.live.report import SCHEMA, schema_text
from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.paths import config_folder

pytestmark = pytest.mark.waits

VAN = config_folder() / "bench-van.toml"


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Ride]:
    """One daemon for all that look at it, with the key on and nobody driving."""
    driven = Ride(tmp_path_factory.mktemp("status"), FIRST_DRIVE, 10.0, None)
    try:
        driven.rig.skip(5.0)
        driven.start()
        driven.ready()
        driven.frame("the manifold", lambda v: v["map"][1] == "good")
        yield driven
    finally:
        driven.close()


def environment(driven: Ride, **more: str) -> dict[str, str]:
    return {**driven.rig.environment(), **more}


def status(env: dict[str, str], *words: str, within_s: float = 60.0) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(
        command("status", *words), env=env, capture_output=True, text=True, timeout=within_s, check=False
    )
    assert "Traceback" not in done.stderr
    return done


@contextlib.contextmanager
def following(env: dict[str, str], *words: str) -> Iterator[subprocess.Popen[str]]:
    """`status --follow` without a terminal; it is gone in the end."""
    pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen(command("status", str(VAN), "--follow", *words), env=env, text=True, **pipes) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


def one_line(done: subprocess.CompletedProcess[str], code: int) -> str:
    """What a failed command says: one line, and nothing where answers go."""
    assert (done.returncode, done.stdout, done.stderr.count("\n")) == (code, "", 1), done
    return done.stderr


def test_a_person_sees_every_channel_what_stands_and_what_it_is_watched_for(watched: Ride) -> None:
    seen = "1 alert stands, 1 channel cannot be seen."
    for _ in range(20):  # a slow item may not have been read yet
        done = status(environment(watched, COLUMNS="80"), str(VAN))
        if seen in done.stdout:
            break
    # The shipped limits are examples, and that stands until somebody has confirmed them.
    assert (done.returncode, done.stderr) == (1, "")
    lines = done.stdout.splitlines()
    assert lines[0].startswith("bench van, stage: compressor, low boost, watched for ")
    assert lines[1] == seen
    assert lines[2].startswith("! Limits are examples. Have a qualified tuner confirm them")
    # The wideband is not heated while the engine stands.
    assert "? Cannot see lambda, absent for " in done.stdout
    assert "See whether its sensor has power and its wire is plugged in." in " ".join(done.stdout.split())
    for name in watched.told.frames[-1]["values"]:
        assert [line for line in lines if line.startswith((f"  {name} ", f"? {name} "))], name
    assert [line for line in lines if line.startswith("  map ") and " kPa, good for " in line]
    assert "  yes: lean under boost, over-boost, mixture blind, pressure blind" in done.stdout
    assert "- no: fuel pressure, it lacks fuel_pressure." in lines
    assert "  no drive is under way." in lines
    assert "GB are free" in done.stdout
    assert f"process {os.getpid()}), 50 frames a second." in " ".join(done.stdout.split())
    assert lines[-1] == "This is a monitor, not protection. Look at it only when parked."
    assert "\x1b" not in done.stdout


def test_a_program_gets_what_the_schema_says_and_the_schema_is_that_of_the_models(watched: Ride) -> None:
    shipped = SCHEMA.read_text(encoding="utf-8")
    assert shipped == schema_text(), "run: python -m cabcanary.live.report"
    schema = jsonschema_rs.validator_for(json.loads(shipped))
    done = status(environment(watched), str(VAN), "--json")
    told = json.loads(done.stdout)
    assert [e.message for e in schema.iter_errors(told)] == []
    assert (told["state"], told["exit_code"], done.returncode) == ("attention", 1, 1)
    assert told["pid"] == watched.pid
    assert set(told["channels"]) == set(watched.told.frames[-1]["values"])
    assert told["channels"]["map"]["unit"] == "kPa"
    assert told["channels"]["boost"]["made_of"] == ["map", "air_pressure"]
    free = shutil.disk_usage(watched.folder)
    assert told["recorder"]["size_bytes"] == free.total
    assert abs(told["recorder"]["free_bytes"] - free.free) < 2e9
    gone = status({**os.environ, "CABCANARY_BENCH": "/nonexistent"}, str(VAN), "--json")
    told = json.loads(gone.stdout)
    assert [e.message for e in schema.iter_errors(told)] == []
    assert (told["state"], told["exit_code"], gone.returncode) == ("no daemon", 3, 3)
    assert "no daemon runs" in told["problem"]


@pytest.mark.parametrize("width", [40, 80, 200])
def test_on_a_terminal_it_is_as_wide_as_that_redraws_in_place_and_ends_by_ctrl_c(watched: Ride, width: int) -> None:
    once = OnATerminal("status", str(VAN), width=width, env=environment(watched))
    live = OnATerminal("status", str(VAN), "--follow", width=width, height=24, env=environment(watched))
    try:
        assert once.ends() == 1
        lines = plain(once.shown).splitlines()
        assert max(columns(line) for line in lines) <= width
        # At least one line fills what there is: nothing is laid out for 80 columns.
        assert max(columns(line) for line in lines) > width * 0.6
        assert "\x1b[1;31m! Limits are examples." in once.shown

        live.until("more lines")
        seen = len(live.shown)
        live.until("more lines", after=seen)
        # One screen at a time, each drawn from the top left corner over the one before.
        screens = live.shown.split("\x1b[H")[1:]
        assert len(screens) >= 2
        for screen in screens[:-1]:
            drawn = plain(screen).split("\r\n")
            assert len(drawn) == 24
            assert max(columns(line) for line in drawn) <= width
        live.press(b"\x03")
        assert live.ends(20.0) == 1
        assert "Traceback" not in live.shown
        assert live.shown.endswith("\x1b[?25h\x1b[?1049l")
    finally:
        once.close()
        live.close()


def test_no_color_is_respected_and_the_signs_stay(watched: Ride) -> None:
    run = OnATerminal("status", str(VAN), width=80, env=environment(watched, NO_COLOR="1"))
    try:
        assert run.ends() == 1
        assert "\x1b" not in run.shown
        assert "! Limits are examples." in run.shown
    finally:
        run.close()


def test_without_a_terminal_following_gives_lines_and_ends_by_a_signal_with_the_last_code(watched: Ride) -> None:
    with following(environment(watched)) as process:
        assert process.stdout is not None
        first = process.stdout.readline()
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert "1 alert stands, 1 channel cannot be seen; ! Limits are examples." in first
    assert (process.returncode, err) == (1, "")
    assert "\x1b" not in first + out


def test_following_says_when_the_daemon_is_killed_and_goes_on_with_the_next_one(ride: Callable[..., Ride]) -> None:
    driven = ride(speed=10.0)
    driven.rig.skip(5.0)
    driven.start()
    driven.ready()
    states: list[str] = []
    with following(environment(driven), "--json") as process:

        def read() -> None:
            assert process.stdout is not None
            states.extend(json.loads(line)["state"] for line in process.stdout)

        reader = threading.Thread(target=read, daemon=True)
        reader.start()
        wait_for("an answer", lambda: "attention" in states)
        driven.kill()
        wait_for("the word that it has gone", lambda: "no daemon" in states)
        told = one_line(status(environment(driven), str(VAN)), 3)
        seen = len(states)
        driven.start()
        wait_for("an answer of the next one", lambda: "attention" in states[seen:])
        process.terminate()
        assert process.wait(30) == 1
        reader.join(10.0)
        assert process.stderr is not None
        assert process.stderr.read() == ""
    left = f"{driven.folder}/feed.sock is left over from one that was killed"
    assert told == f"no daemon runs with {VAN}: {left}; start it: cabcanary run {VAN}\n"


def test_a_daemon_that_hangs_is_told_in_seconds_and_one_that_goes_on_is_asked_again(ride: Callable[..., Ride]) -> None:
    driven = ride(speed=10.0)
    driven.rig.skip(5.0)
    driven.start()
    driven.ready()
    os.kill(driven.pid, signal.SIGSTOP)
    try:
        begun = time.monotonic()
        told = one_line(status(environment(driven), str(VAN)), 3)
        # It waits for 3 s; a loaded machine takes some more to start Python.
        assert time.monotonic() - begun < 30.0
    finally:
        os.kill(driven.pid, signal.SIGCONT)
    assert "does not answer within 3 s: it hangs, and nobody may be watching the vehicle" in told
    assert status(environment(driven), str(VAN)).returncode == 1


@pytest.mark.parametrize(
    ("make", "code", "words"),
    [
        (lambda _: None, 2, "No such file or directory; name the settings file (TOML)"),
        (lambda p: p.mkdir(), 2, "is no file; name the settings file (TOML)"),
        (lambda p: os.mkfifo(p), 2, "is no file; name the settings file (TOML)"),
        (lambda p: p.symlink_to("nowhere"), 2, "No such file or directory; name the settings file (TOML)"),
        (lambda p: p.write_text("[daemon\n"), 2, "run: cabcanary check"),
        (lambda p: p.write_bytes(b"\xff\xfe\x00"), 2, "run: cabcanary check"),
        (lambda p: p.write_text("daemon = 3\n"), 2, "run: cabcanary check"),
        (lambda p: p.write_text("[daemon]\ntick_hz = 'ten'\n"), 2, "daemon.tick_hz: "),
        (lambda p: p.write_text("[daemon]\nfolder = '/etc/passwd'\n"), 3, "there is no /etc/passwd/feed.sock"),
        (lambda p: p.write_text("[daemon]\nfeed = '/etc/passwd'\n"), 2, "/etc/passwd is no socket: daemon.feed in "),
        (lambda p: p.write_text(f"[daemon]\nfeed = '/tmp/{'x' * 120}'\n"), 3, "no daemon runs with "),
    ],
)  # fmt: skip
def test_a_wrong_path_or_setting_is_one_line(
    make: Callable[[Path], object], code: int, words: str, tmp_path: Path
) -> None:
    file = tmp_path / "van.toml"
    make(file)
    assert words in one_line(status(dict(os.environ), str(file)), code)


@pytest.mark.parametrize(
    ("answer", "code", "words"),
    [
        (b"220 welcome\r\n", 2, "is no daemon of cabcanary"),
        (b'{"hello": {"software": "0.1.0"}}\n', 3, "gives no status: it is of an older version"),
        (b'{"hello": {}}\n{"status": {"software": "0.0.9"}}\n', 3, "the daemon is of another version (0.0.9)"),
        (b'{"error": "the feed is full: 32 places"}\n', 3, "the feed is full: 32 places"),
        (b"", 3, "has just ended"),
    ],
)  # fmt: skip
def test_whatever_else_answers_there_is_one_line_too(answer: bytes, code: int, words: str, tmp_path: Path) -> None:
    (tmp_path / "van.toml").write_text(f"[daemon]\nfolder = '{tmp_path}'\n")
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(tmp_path / "feed.sock"))
        server.listen()
        held = []

        def serve() -> None:
            client, _ = server.accept()
            client.sendall(answer)
            client.recv(1000)
            if answer:
                held.append(client)  # and says nothing more
            else:
                client.close()

        threading.Thread(target=serve, daemon=True).start()
        told = one_line(status(dict(os.environ), str(tmp_path / "van.toml")), code)
        for client in held:
            client.close()
    assert words in told


_AS_NOBODY = """
import contextlib, io, os, sys
from cabcanary.cli.main import main
# Where the interpreter lies another user may not read: all that the command needs is read before.
with contextlib.redirect_stderr(io.StringIO()), contextlib.redirect_stdout(io.StringIO()):
    assert main(["status", sys.argv[1]]) == 3
os.setgroups([]); os.setgid(65534); os.setuid(65534)
sys.exit(main(["status", sys.argv[1]]))
"""


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become another user")
def test_a_user_who_may_not_reach_the_feed_is_told_so(tmp_path: Path) -> None:
    place = Path(tempfile.mkdtemp(prefix="status-"))
    try:
        place.chmod(0o755)
        (place / "closed").mkdir(mode=0o700)
        (place / "van.toml").write_text(f"[daemon]\nfolder = '{place}/closed'\n")
        words = [sys.executable, "-c", _AS_NOBODY, str(place / "van.toml")]
        done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)
        assert "closed/feed.sock: permission denied; ask as the daemon's user" in one_line(done, 3)
    finally:
        shutil.rmtree(place)


def test_its_help_says_the_codes_and_what_this_is_not() -> None:
    done = status(dict(os.environ), "--help")
    said = " ".join(done.stdout.split())
    assert "0 it watches and nothing stands, 1 something stands or cannot be seen, 2 the settings or the" in said
    assert "3 no daemon runs or answers" in said
    assert "This is a monitor, not protection" in said
