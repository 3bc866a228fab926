"""Starting, feeding and ending a helper process holds up nothing in the loop."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import json
import os
import select
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pytest
import small_van
from harness import wait_for

from cabcanary.processes.child import Child

pytestmark = pytest.mark.waits


SLOW = Path(__file__).parents[1] / "support" / "slow_exec.c"
#: What a loop that is held up by a start would show.
TICKER = """
import asyncio, sys, time
from cabcanary.processes.child import Child

async def main():
    gaps, last = [], time.monotonic()
    begun = last
    start = asyncio.ensure_future(Child.start([sys.executable, "-c", ""], 1000))
    while not start.done():
        await asyncio.sleep(0.01)
        now = time.monotonic()
        gaps.append(now - last)
        last = now
    child = await start
    code = await child.wait()
    print(time.monotonic() - begun, max(gaps), code)

asyncio.run(main())
"""


def test_a_card_that_is_slow_to_read_a_program_holds_up_no_tick(tmp_path: Path) -> None:
    compiler = shutil.which("cc") or shutil.which("gcc")
    assert compiler is not None, "no C compiler: apt-get install gcc libc6-dev"
    library = tmp_path / "slow_exec.so"
    subprocess.run([compiler, "-shared", "-fPIC", "-o", str(library), str(SLOW)], check=True)
    done = subprocess.run(
        [sys.executable, "-c", TICKER],
        env={**os.environ, "LD_PRELOAD": str(library)},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    took, longest, code = map(float, done.stdout.split())
    assert took > 3.0
    # A third of what it would be if the loop waited: no absolute speed is asked for.
    assert longest < took / 3
    assert code == 0


async def test_a_child_answers_and_ends_when_its_input_ends() -> None:
    child = await Child.start(["cat"], 1000)
    child.stdin.write(b"hello\n")
    assert await child.stdout.readline() == b"hello\n"
    child.stdin.close()
    assert await child.wait() == 0
    assert child.returncode == 0


async def test_a_child_is_ended_and_ending_it_twice_is_no_fault() -> None:
    child = await Child.start(["sleep", "60"], 1000)
    assert child.returncode is None
    child.terminate()
    assert await child.wait() == -15
    child.terminate()
    child.kill()


async def test_what_is_not_there_cannot_be_started() -> None:
    with pytest.raises(FileNotFoundError):
        await Child.start(["/no/such/program"], 1000)


async def test_a_start_that_nobody_waits_for_any_more_leaves_no_process(tmp_path: Path) -> None:
    mark = tmp_path / "mark"
    script = f"import time; open({str(mark)!r}, 'w').close(); time.sleep(60)"
    task = asyncio.ensure_future(Child.start([sys.executable, "-c", script], 1000))
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)

    def running() -> bool:
        return any(
            str(mark).encode() in p.read_bytes() for p in Path("/proc").glob("[0-9]*/cmdline") if p.parent.exists()
        )

    for _ in range(500):
        # Popen has returned once the program runs, and only then is there anything to be undone.
        if not any(t.name == "start" for t in threading.enumerate()) and not running():
            break
        await asyncio.sleep(0.01)
    assert not running()


async def test_descriptors_do_not_pile_up() -> None:
    def count() -> int:
        return len(list(Path("/proc/self/fd").iterdir()))

    child = await Child.start(["true"], 1000)
    await child.wait()
    before = count()
    for _ in range(5):
        child = await Child.start(["true"], 1000)
        await child.wait()
        assert await child.stdout.read() == b""
    await asyncio.sleep(0.05)
    assert count() <= before


#: A daemon that has one helper and nothing else; a line for the helper's process.
PARENT = """
import asyncio, json, sys
from cabcanary.processes.helper import Helper
from cabcanary.processes.status import Status

async def main():
    helper = Helper(sys.argv[1], json.loads(sys.argv[2]), Status("helper", print), print)
    work = asyncio.ensure_future(helper.run_once())
    while helper.process is None:
        await asyncio.sleep(0.01)
    print(helper.process.pid, flush=True)
    print("ended with", await work, flush=True)

asyncio.run(main())
"""


@pytest.mark.parametrize(
    ("module", "read"),
    [
        ("cabcanary.recorder.archiver", "drives/vehicle=van/month=2025-01/a.manifest.json"),
        ("cabcanary.review.rules.learning", "baselines.json"),
    ],
)
def test_a_daemon_that_is_killed_leaves_no_helper_at_its_work(tmp_path: Path, module: str, read: str) -> None:
    # A file that says nothing and does not end: whoever reads it hangs, as on a card that has stalled.
    hanging = tmp_path / read
    month = tmp_path / "drives" / "vehicle=van" / "month=2025-01"
    month.mkdir(parents=True)
    os.mkfifo(hanging)
    (month / "a.parquet").write_bytes(bytes(100))
    config = tmp_path / "van.toml"
    config.write_text(f'{small_van.SETTINGS}\n[daemon]\nfolder = "{tmp_path}"\n')
    (tmp_path / "rules.toml").write_text(small_van.RULES)
    # The archive is over this, so the archiver must look at its drives.
    limits = {"largest_gb": 1e-9, "free_gb": 0.0}
    given = json.dumps({"folder": str(tmp_path), "archive": limits, "config": str(config)})
    with subprocess.Popen([sys.executable, "-c", PARENT, module, given], stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        watched = os.pidfd_open(int(parent.stdout.readline()))
        writer = wait_for("the helper at its work", lambda: opened_by_a_reader(hanging))
        try:
            parent.kill()
            assert parent.wait(10) == -signal.SIGKILL
            ended, _, _ = select.select([watched], [], [], 10.0)
            assert ended, "the helper lingers"
        finally:
            with contextlib.suppress(ProcessLookupError):
                signal.pidfd_send_signal(watched, signal.SIGKILL)
            os.close(watched)
            os.close(writer)


def opened_by_a_reader(pipe: Path) -> int | None:
    """The end for writing of a pipe that somebody reads, who then waits for what never comes."""
    try:
        return os.open(pipe, os.O_WRONLY | os.O_NONBLOCK)
    except OSError as error:
        if error.errno != errno.ENXIO:
            raise
        return None
