"""The pages of drives: the list, and one drive with its sentences and plots."""

from __future__ import annotations

import asyncio
import shutil
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.background import BackgroundTask
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response

from cabcanary.cabview import drive_words
from cabcanary.cabview.archive import Archive, NoSuchDriveError
from cabcanary.cabview.compare_page import MOST_OFFERED, choice_of, stages_of
from cabcanary.cabview.drive_html import channels_of, list_of, one_drive, refused
from cabcanary.cabview.html import page
from cabcanary.cabview.levels import as_json
from cabcanary.cabview.login import fields_of
from cabcanary.display import Display
from cabcanary.review.exchange.export import export_drive
from cabcanary.review.list.drives import DriveError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from starlette.requests import Request

_ON_A_PAGE = 50
#: Channels in one request, and points of each: some screens full.
_MOST_CHANNELS, _MOST_POINTS, _FEWEST_POINTS = 12, 8000, 10


class DrivePages:
    """What is asked for is read in a thread: a card may take its time. `shown` names the channels that come first."""

    def __init__(
        self,
        archive: Archive,
        shown: Sequence[str],
        display: Display | None = None,
        above_air: Sequence[str] = (),
    ) -> None:
        self._archive, self._shown = archive, tuple(shown)
        self._display, self._above_air = display or Display(), frozenset(above_air)
        # A whole drive as text takes a processor for as long as it takes: one at a time.
        self._exporting = asyncio.Lock()

    async def list(self, request: Request) -> Response:
        """All drives, the newest first."""
        number = _whole(request.query_params.get("page", "1"), 1, 100_000)
        skip = (number - 1) * _ON_A_PAGE
        drives, count, faults = await asyncio.to_thread(self._archive.newest, skip, _ON_A_PAGE)
        beside = stages_of(await asyncio.to_thread(self._archive.stages))
        main = list_of(drives, number, count, faults, _ON_A_PAGE) + beside
        return page("Drives", "drives", main, styles=["drive.css"])

    async def one(self, request: Request) -> Response:
        """One drive."""
        return await _found(self._one, request.path_params["drive"])

    def _one(self, name: str) -> Response:
        samples, manifest = self._archive.find(name)
        levels = self._archive.levels(name)
        units = {n: self._display.unit_for(u) for n, u in self._archive.units(samples).items()}
        main = one_drive(
            manifest,
            self._archive.blind_s(samples, manifest),
            self._archive.moments(samples, manifest, self._display, self._above_air),
            channels_of(levels.channels, units, self._shown),
            float(levels.time_s[-1]) if len(levels.time_s) else 0.0,
            self._display,
            choice_of(manifest.drive, self._archive.manifests(MOST_OFFERED), self._archive.stages()),
        )
        scripts, styles = ["uPlot.iife.min.js", "drive.js"], ["uPlot.min.css", "drive.css"]
        return page(f"Drive {manifest.start[:16].replace('T', ' ')}", "drives", main, scripts, styles)

    async def view(self, request: Request) -> Response:
        """Part of a drive, for the plots."""
        return await _found(self._view, request.path_params["drive"], dict(request.query_params))

    def _view(self, name: str, asked: dict[str, str]) -> Response:
        levels = self._archive.levels(name)
        wanted = [c for c in asked.get("channels", "").split(",") if c in levels.channels][:_MOST_CHANNELS]
        try:
            from_s, to_s = float(asked["from"]), float(asked["to"])
        except (KeyError, ValueError):
            return JSONResponse({"error": "say from and to, in seconds from the drive's start"}, 400)
        if not from_s < to_s:
            return JSONResponse({"error": "from must be before to"}, 400)
        points = _whole(asked.get("points", ""), _FEWEST_POINTS, _MOST_POINTS)
        view = levels.view(wanted, from_s, to_s, points)
        if self._display.chosen:
            own = self._archive.units(self._archive.find(name)[0])
            view = view.shown_in({n: self._scale(own.get(n, "")) for n in wanted})
        return JSONResponse(as_json(view))

    def _scale(self, unit: str) -> tuple[float, float]:
        """Factor and offset from a channel's own unit to the one that is shown."""
        zero = self._display.number(0.0, unit)
        return self._display.number(1.0, unit) - zero, zero

    async def note(self, request: Request) -> Response:
        """Write a note, at a moment of the drive where one is given."""
        fields = await fields_of(request)
        words = fields.get("words", "").strip()
        try:
            at_s = max(0.0, min(float(fields["at"]), 1e6))
        except (KeyError, ValueError):
            at_s = None
        if words and at_s is not None:
            words = drive_words.marked(at_s, words)
        return await self._changed(request, self._archive.note, words)

    async def keep(self, request: Request) -> Response:
        """Mark it as kept, or take the mark away."""
        kept = (await fields_of(request)).get("kept") == "yes"
        return await self._changed(request, lambda name: self._archive.keep(name, kept=kept))

    async def _changed(self, request: Request, change: Callable[..., None], *words: str) -> Response:
        name = request.path_params["drive"]

        def changed() -> Response:
            try:
                change(name, *words)
            except OSError as error:
                return refused(f"It cannot be written: {error.strerror or error}.", 503)
            except DriveError:
                return refused("A note needs words.", 400)
            return RedirectResponse(f"/drives/{name}", 303)

        return await _found(changed)

    async def parquet(self, request: Request) -> Response:
        """The drive's own file."""

        def found(name: str) -> Response:
            samples, _ = self._archive.find(name)
            return FileResponse(samples, media_type="application/vnd.apache.parquet", filename=samples.name)

        return await _found(found, request.path_params["drive"])

    async def csv(self, request: Request) -> Response:
        """The drive as text, as `cabcanary export` writes it."""
        async with self._exporting:
            return await _found(self._csv, request.path_params["drive"])

    def _csv(self, name: str) -> Response:
        samples, _ = self._archive.find(name)
        place = Path(tempfile.mkdtemp(prefix="cabcanary-pages-"))
        try:
            made = export_drive(samples, "csv", place / f"{samples.stem}.csv", self._archive.folder)[0]
        except (DriveError, OSError) as error:
            shutil.rmtree(place, ignore_errors=True)
            return refused(f"It cannot be exported: {error}.", 503)
        away = BackgroundTask(shutil.rmtree, place, ignore_errors=True)
        return FileResponse(made, media_type="text/csv", filename=made.name, background=away)


async def _found(work: Callable[..., Response], *arguments: object) -> Response:
    """In a thread; a drive that is not there is told as such."""
    try:
        return await asyncio.to_thread(work, *arguments)
    except NoSuchDriveError:
        return refused("There is no drive of this name, or its file cannot be read.", 404)


def _whole(words: str, least: int, most: int) -> int:
    """A whole number within bounds, whatever was written."""
    return max(least, min(int(words), most)) if words.isdecimal() and len(words) < 9 else least
