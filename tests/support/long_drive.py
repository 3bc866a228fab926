"""`cabcanary bench` as a user runs it, once for all tests that look at it."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

from harness import PATIENCE_S, Listener, Message, command, read_journal, wait_for

from cabcanary_bench.rig.feed_reader import Follower


class BenchDrive:
    """`cabcanary bench --json` as a user runs it, in a new folder, and what could be seen of it."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.folder = home / "bench-drives"
        self.copy = home / "mid-drive.ccj"
        #: The process of the daemon -> what it had mapped and which modules its helpers are, in mid-drive.
        self.maps = ""
        process = subprocess.Popen(
            command("bench", "--json"),
            cwd=home,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        try:
            self._watch(process)
            output, self.errors = process.communicate(timeout=120)
        except BaseException:
            process.terminate()
            process.communicate(timeout=30)
            raise
        self.code = process.returncode
        self.result: Message = json.loads(output)

    def _watch(self, process: subprocess.Popen[bytes]) -> None:
        """Follow the same feed as the bench does, and copy the journal before the archiver takes it away."""
        listener = Listener(Follower(self.folder / "feed.sock", frames_hz=0, wait_s=PATIENCE_S))
        try:
            wait_for("the last alert's end", lambda: self._blind_again(listener) or process.poll() is not None, 240)
            wait_for("the journal to have it", lambda: self._copied(listener) or process.poll() is not None)
            self.maps = Path(f"/proc/{listener.hello['pid']}/maps").read_text()
            wait_for("the end of the drive", lambda: listener.lost or process.poll() is not None, 240)
        finally:
            listener.close()
        self.events = listener.events

    @staticmethod
    def _blind_again(listener: Listener) -> bool:
        changes = [(e["what"], e.get("active")) for e in list(listener.events) if e["kind"] == "alert"]
        over = ("over_boost", False)
        return over in changes and ("cannot_see_lambda", False) in changes[changes.index(over) :]

    def _copied(self, listener: Listener) -> bool:
        journals = list((self.folder / "journal").glob("*.ccj"))
        if len(journals) != 1:
            return False
        self.copy.write_bytes(journals[0].read_bytes())
        heard = [e["t"] for e in list(listener.events) if e["kind"] == "alert"]
        return heard[-1] in [e["t"] for e in read_journal(self.copy).events if e["kind"] == "alert"]

    @property
    def drive(self) -> Message:
        """The one drive that was recorded."""
        (drive,) = self.result["drives"]
        return dict(drive)

    @property
    def samples(self) -> Path:
        """Its Parquet file."""
        return self.home / self.drive["path"]

    @property
    def recorded(self) -> list[Message]:
        """Its recorded events."""
        path = self.samples.with_suffix(".events.jsonl")
        return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
