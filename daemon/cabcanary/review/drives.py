"""The list of recorded drives."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.store.manifest import Manifest, read_manifests

if TYPE_CHECKING:
    from pathlib import Path


def list_drives(folder: Path) -> tuple[list[dict[str, Any]], list[str]]:
    """Every drive as plain data, oldest first, and what could not be read."""
    found, faults = read_manifests(folder)
    return [{**m.model_dump(), "path": str(samples_path(p, m))} for p, m in found], faults


def samples_path(manifest_path: Path, manifest: Manifest) -> Path:
    """The drive's Parquet file, beside its manifest."""
    return manifest_path.with_name(f"{manifest.drive}.parquet")


_HEAD = ("start (UTC)", "length", "stage", "peak boost", "leanest under boost", "alerts", "drive")


def table(drives: list[dict[str, Any]]) -> list[str]:
    """The drives as lines of text, with a head line."""
    rows: list[tuple[str, ...]] = [
        ("start (UTC)", "length", "stage", "peak boost", "leanest under boost", "alerts", "drive")
    ]
    rows += [_row(d) for d in drives]
    widths = [max(len(r[n]) for r in rows) for n in range(len(rows[0]))]
    return ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]


def _row(drive: dict[str, Any]) -> tuple[str, str, str, str, str, str, str]:
    return (
        drive["start"][:19].replace("T", " "),
        _length(drive["length_s"]),
        drive["stage"],
        _figure(drive["peak_boost"], drive["boost_unit"]),
        _leanest(drive),
        _alerts(drive["alerts"]),
        drive["drive"] + (" (recovered)" if drive["recovered"] else ""),
    )


def _length(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def _figure(value: float | None, unit: str | None) -> str:
    return "-" if value is None else f"{value:.1f} {unit}"


def _leanest(drive: dict[str, Any]) -> str:
    if drive["leanest_under_boost"] is None:
        return "-"
    return f"lambda {drive['leanest_under_boost']:.3f} at {_figure(drive['leanest_at_boost'], drive['boost_unit'])}"


def _alerts(alerts: list[dict[str, Any]]) -> str:
    return ", ".join(a["alert"] + (f" ×{a['count']}" if a["count"] > 1 else "") for a in alerts) or "none"
