"""A drive's samples made a piece at a time: each finished piece stays on the card, whatever becomes of the machine.

On a small computer the power goes with the key. What has been computed of a long drive by then is not computed again:
a part holds some minutes as they will stand in the archive, and the state of the channels at its end. When all are
there, they are put one behind the other.
"""

from __future__ import annotations

import os
import shutil
from typing import TYPE_CHECKING, Any

import pyarrow.parquet as pq

from cabcanary import __version__
from cabcanary.recorder.frame_columns import FrameColumns
from cabcanary.recorder.layout import Layout, TooNarrowError
from cabcanary.store.archive import SampleWriter, give_back, metadata_of, read_about
from cabcanary.store.manifest import sync_folder
from cabcanary.store.parquet_parts import join
from cabcanary.store.rows import Gathered

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.channels.pipeline import Pipeline
    from cabcanary.plan.plan import Plan
    from cabcanary.recorder.journal_drive import Recorded


class Parts:
    """The parts of one drive in a folder of their own; `ticks`, `first_ns` and `last_ns` once `make` is done."""

    def __init__(self, folder: Path, drive: Recorded, plan: Plan | None) -> None:
        self._folder, self._drive, self._plan = folder, drive, plan
        self._wide = False
        self._layout = self._laid_out()
        self._files: list[Path] = []
        self.ticks, self.first_ns, self.last_ns = 0, 0, 0
        #: How many had been finished before.
        self.found = 0

    def _laid_out(self) -> Layout:
        drive = self._drive
        return Layout(drive.header, drive.forms(), self._plan, step_ns=drive.step_ns(), wide=self._wide)

    def make(self) -> None:
        """Make the parts that are not there yet.

        Raises:
            ValueError: the drive does not hold what it says.
            OSError: the card takes no more.
        """
        try:
            self._make()
        except TooNarrowError:
            # No converter has such codes, and whoever has them gets the room.
            self._files, self.ticks, self.found, self._wide = [], 0, 0, True
            self._layout = self._laid_out()
            self._make()

    def _make(self) -> None:
        self._folder.mkdir(parents=True, exist_ok=True)
        drive, plan = self._drive, self._plan
        pipeline = plan.pipeline() if plan is not None else None
        if pipeline is not None:
            pipeline.restore(drive.header["channels_state"])
        frames = None if pipeline is None else FrameColumns(pipeline, drive.header["channels"])
        going_on = True
        for number in drive.piece_numbers():
            file = self._folder / f"{number:04d}.part"
            done = self._done(file) if going_on else None
            if done is not None:
                self._count(file, done)
                self.found += 1
                state = done["state"]
                continue
            if going_on and self.found and pipeline is not None:
                pipeline.restore(state)
            going_on = False
            self._count(file, self._write(file, number, frames, pipeline))
            give_back()

    def _write(self, file: Path, number: int, frames: FrameColumns | None, pipeline: Pipeline | None) -> dict[str, Any]:
        """Make one part; returns what it says of itself."""
        last_ns, first_ns = (self.last_ns, self.first_ns) if self.ticks else (-1, None)
        rows, ticks = Gathered(), 0
        for some in self._drive.piece(number):
            columns = some.going_on(last_ns)
            if len(columns):
                last_ns, ticks = int(columns.tick_ns[-1]), ticks + len(columns)
                first_ns = int(columns.tick_ns[0]) if first_ns is None else first_ns
                rows.add(self._layout.rows(columns, None if frames is None else frames.step(columns)))
        give_back()
        told = {"of": self._print(), "ticks": ticks, "first_ns": first_ns, "last_ns": last_ns}
        told["state"] = None if pipeline is None else pipeline.state()
        writer = SampleWriter(file, self._layout.columns, told, first_ns)
        try:
            if len(rows):
                writer.add(rows.rows())
            writer.close()
        except BaseException:
            writer.discard()
            raise
        return told

    def _print(self) -> str:
        """What a part must be of, to be taken for finished: this journal, as this version reads it."""
        return f"{self._drive.print} {__version__}" + (" wide" if self._wide else "")

    def _done(self, file: Path) -> dict[str, Any] | None:
        if not self._drive.print:
            return None
        try:
            about = read_about(file)
        except (OSError, ValueError):
            return None
        return about if about.get("of") == self._print() else None

    def _count(self, file: Path, told: dict[str, Any]) -> None:
        if told["ticks"]:
            self._files.append(file)
            self.ticks += told["ticks"]
            self.first_ns, self.last_ns = told["first_ns"], told["last_ns"]

    def join(self, path: Path, about: dict[str, Any]) -> None:
        """All parts as one file, which is there whole or not at all."""
        metadata = metadata_of(self._layout.columns, about)
        if not self._files:
            SampleWriter(path, self._layout.columns, about).close()
            return
        schema = pq.read_schema(self._files[0]).with_metadata(metadata)
        temporary = path.with_name(path.name + ".new")
        try:
            with temporary.open("wb") as file:
                join(self._files, file, schema)
                file.flush()
                os.fsync(file.fileno())
            if pq.read_metadata(temporary).num_rows != self.ticks:
                raise ValueError("the parts of a drive do not fit together")
        except ValueError:
            # A card has changed what it was given: they are all made anew.
            temporary.unlink()
            self.remove()
            raise
        temporary.replace(path)
        sync_folder(path.parent)
        give_back()

    def remove(self) -> None:
        """They are no longer needed."""
        shutil.rmtree(self._folder, ignore_errors=True)
