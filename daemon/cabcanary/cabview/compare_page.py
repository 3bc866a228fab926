"""Two drives, two stages or a drive and its baselines, beside each other."""

from __future__ import annotations

import asyncio
import threading
from collections import OrderedDict
from typing import TYPE_CHECKING

from cabcanary.cabview.archive import Archive, NoSuchDriveError
from cabcanary.cabview.drive_html import refused
from cabcanary.cabview.html import page, text
from cabcanary.review.figures.drive_figures import Figures, figures_of
from cabcanary.review.list.drives import samples_path
from cabcanary.review.list.recorded_drive import RecordedError, read_drive
from cabcanary.review.stages.side_by_side import Row, beside_baselines, side_by_side
from cabcanary.store.manifest import newest_first

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from pathlib import Path

    from starlette.requests import Request
    from starlette.responses import Response

    from cabcanary.display import Display
    from cabcanary.review.list.recorded_drive import Recorded
    from cabcanary.settings.schema import Settings
    from cabcanary.store.manifest import Manifest

DRIVE, STAGE, BASELINES = "drive:", "stage:", "baselines"
#: The newest drives of a stage that are taken; and those that are offered beside one drive.
MOST_DRIVES, MOST_OFFERED = 20, 30
#: Drives whose figures are remembered: a drive-hour takes a second.
_KEPT = 200


class NothingToCompareError(LookupError):
    """What was asked for cannot be compared; the message says why."""


class ComparePage:
    """`/compare?one=drive:ID&other=stage:NAME`. Files are read in a thread."""

    def __init__(self, archive: Archive, settings: Settings) -> None:
        self._archive, self._vehicle, self._display = archive, settings.vehicle, settings.shown_in
        self._lock = threading.Lock()
        self._known: OrderedDict[tuple[str, int], Figures] = OrderedDict()

    async def show(self, request: Request) -> Response:
        """The page."""
        one, other = (request.query_params.get(name, "") for name in ("one", "other"))
        try:
            main = await asyncio.to_thread(self._main, one, other)
        except NoSuchDriveError:
            return refused("There is no drive of this name, or its file cannot be read.", 404)
        except NothingToCompareError as error:
            return refused(str(error), 404)
        return page("Beside each other", "drives", main, styles=["drive.css"])

    def _main(self, one: str, other: str) -> str:
        if other == BASELINES:
            samples, manifest = self._drive(one)
            rows = beside_baselines(self._read(samples))
            if not rows:
                raise NothingToCompareError("No baseline had been measured in its stage when it was driven.")
            return comparison_of(
                _drive_words(manifest), "what was normal in its stage", rows, self._display, normal=True
            )
        rows = side_by_side(self._figures(one), self._figures(other), self._display)
        return comparison_of(self._words(one), self._words(other), rows, self._display)

    def _drive(self, asked: str) -> tuple[Path, Manifest]:
        if not asked.startswith(DRIVE):
            raise NothingToCompareError("Choose a drive or a stage for each side; baselines stand beside a drive.")
        return self._archive.find(asked.removeprefix(DRIVE))

    def _words(self, asked: str) -> str:
        if asked.startswith(STAGE):
            return f"stage {asked.removeprefix(STAGE)}"
        return _drive_words(self._drive(asked)[1])

    def _figures(self, asked: str) -> list[Figures]:
        if not asked.startswith(STAGE):
            return [self._figures_of(*self._drive(asked))]
        stage = asked.removeprefix(STAGE)
        folder = self._archive.folder
        theirs = [(p, m) for p, m in newest_first(folder, self._vehicle.name) if m.stage == stage][:MOST_DRIVES]
        found = []
        for path, manifest in theirs:
            try:
                found.append(self._figures_of(samples_path(path, manifest), manifest))
            except NoSuchDriveError:
                continue  # one that cannot be read says nothing of the others
        if not found:
            raise NothingToCompareError(f"There is no drive of stage '{stage}' that can be read.")
        return found

    def _figures_of(self, samples: Path, manifest: Manifest) -> Figures:
        try:
            key = (str(samples), samples.stat().st_mtime_ns)
        except OSError as error:
            raise NoSuchDriveError(manifest.drive) from error
        with self._lock:
            if key not in self._known:
                self._known[key] = figures_of(self._read(samples), manifest.start)
                while len(self._known) > _KEPT:
                    self._known.popitem(last=False)
            self._known.move_to_end(key)
            return self._known[key]

    def _read(self, samples: Path) -> Recorded:
        try:
            return read_drive(samples)
        except (RecordedError, OSError) as error:
            raise NoSuchDriveError(samples.stem) from error


def _drive_words(manifest: Manifest) -> str:
    return f"drive of {manifest.start[:16].replace('T', ' ')}, stage {manifest.stage}"


def comparison_of(one: str, other: str, rows: Iterable[Row], display: Display, *, normal: bool = False) -> str:
    """The page's own part: sentences first, then every figure of both."""
    rows = list(rows)
    beyond = [row for row in rows if row.beyond]
    told = [f"{row.figure.capitalize()}: {row.apart}, which is more than chance." for row in beyond]
    if normal:
        told = [f"{row.figure.capitalize()}: {row.apart}, beyond the spread that is normal." for row in beyond]
    known = any(row.beyond is not None for row in rows)
    nothing = (
        "Nothing lies apart by more than chance." if known else "Too little is there to tell a difference from chance."
    )
    said = "".join(
        f"<p>{text(words)}</p>" for words in (told or [nothing]) + ([display.words] if display.words else [])
    )
    first, second = ("normal", "this drive") if normal else (one, other)
    body = "".join(
        f'<tr{" class=raised" if row.beyond else ""}><th scope="row">{text(row.figure)}</th><td>{text(row.one)}</td>'
        f"<td>{text(row.other)}</td><td>{text(row.apart)}</td></tr>"
        for row in rows
    )
    return (
        '<p class="back"><a href="/drives">All drives</a></p>'
        f"<h1>{text(one[:1].upper() + one[1:])} beside {text(other)}</h1>"
        f'<div class="said">{said}<p>What is not in the table was seen in neither.</p></div>'
        '<div class="wide" tabindex="0" role="region" aria-label="Figures"><table><thead><tr>'
        f'<th scope="col">figure</th><th scope="col">{text(first)}</th><th scope="col">{text(second)}</th>'
        f'<th scope="col">apart (95 % interval)</th></tr></thead><tbody>{body}</tbody></table></div>'
    )


def choice_of(drive: str, others: Iterable[Manifest], stages: Iterable[str]) -> str:
    """The form on a drive's page: beside what it may be laid."""
    drives = "".join(
        f'<option value="{DRIVE}{text(m.drive)}">{text(_drive_words(m))}</option>' for m in others if m.drive != drive
    )
    of_stages = "".join(
        f'<option value="{STAGE}{text(stage)}">all drives of stage {text(stage)}</option>' for stage in stages
    )
    return (
        '<h2>Beside another</h2><form method="get" action="/compare" class="keep">'
        f'<input type="hidden" name="one" value="{DRIVE}{text(drive)}"><label for="other">Lay it beside</label>'
        f'<select id="other" name="other"><option value="{BASELINES}">what was normal in its stage</option>{drives}'
        f'{of_stages}</select><button type="submit" class="quiet">Compare</button></form>'
    )


def stages_of(stages: Sequence[str]) -> str:
    """The form on the list: two stages beside each other, where there are two; the newest against the one before."""
    if len(stages) < 2:
        return ""

    def choice(name: str, words: str, chosen: str) -> str:
        options = "".join(
            f'<option value="{STAGE}{text(s)}"{" selected" if s == chosen else ""}>{text(s)}</option>' for s in stages
        )
        return f'<label for="{name}">{words}</label><select id="{name}" name="{name}">{options}</select>'

    return (
        '<h2>Two stages</h2><form method="get" action="/compare" class="keep">'
        f"{choice('one', 'Lay all drives of stage', stages[1])}{choice('other', 'beside those of', stages[0])}"
        '<button type="submit" class="quiet">Compare</button></form>'
    )
