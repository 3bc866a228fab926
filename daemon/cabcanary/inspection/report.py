"""The report of an inspection: one HTML page that needs nothing else and prints well."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from cabcanary.inspection.steps import STEPS

if TYPE_CHECKING:
    from cabcanary.inspection.record import Record

#: Said at the start and in every report.
WARNINGS = (
    "This is a monitor, not protection: it warns, and it cannot stop an engine from being damaged.",
    "Parked, brake on, out of gear. Outside or well ventilated: exhaust gas kills.",
    "Keep hands, hair and leads away from belts, fans and hot parts.",
    "The feed is fused at its source. Take neither feed nor ground from restraint, brake or steering circuits.",
    "The brake servo's line is only looked at; a fault there is for a workshop, before anybody drives.",
    "Limits come from a qualified tuner for this engine and fuel; those that come with the program are examples.",
    "The first drive only where the law allows this vehicle as it is. Look at the road, not at a screen.",
)
NO_PROOF = (
    "This page says what was seen and what was not, on one day. It is no proof that the vehicle is fit to drive, and "
    "nothing that was not looked at is known."
)
_STYLE = (
    "body{font:15px/1.4 serif;max-width:50em;margin:2em auto;padding:0 1em;color:#000;background:#fff}"
    "table{border-collapse:collapse;width:100%}td,th{border:1px solid #777;padding:.25em .5em;text-align:left;"
    "vertical-align:top}h2{margin-top:1.5em}.fail{font-weight:bold}"
    "@media print{body{margin:0;max-width:none}tr,li{break-inside:avoid}}"
)


def headline(record: Record) -> str:
    """What it came to, in a line: what was seen and what was not."""
    counted = {
        v: sum(f.verdict == v for f in record.findings) for v in ("pass", "fail", "skipped", "not possible here")
    }
    rest = f"{counted['skipped']} skipped, {counted['not possible here']} not possible on this vehicle"
    seen = f"{counted['pass']} seen as they should be"
    if counted["fail"]:
        return f"{counted['fail']} FAILED; {seen}, {rest}"
    return f"{seen}, none failed, {rest}" + ("" if record.ended else "; not finished")


def html(record: Record) -> str:
    """The whole page."""
    simulated = f"<p><b>Simulated: {escape(record.simulated)}. Nothing of a vehicle was looked at.</b></p>"
    parts = [
        "<!doctype html><html lang=en><meta charset=utf-8>",
        "<meta name=viewport content='width=device-width'>",
        f"<title>Inspection of {escape(record.vehicle)}</title><style>{_STYLE}</style>",
        f"<h1>Inspection of {escape(record.vehicle)}</h1>",
        f"<p>Stage: {escape(record.stage)}. Begun {escape(record.begun)}, ended {escape(record.ended or 'not yet')}.",
        simulated if record.simulated else "",
        f"<p><b>{escape(headline(record))}.</b> {NO_PROOF}</p>",
        "<h2>First</h2><ul>",
        *(f"<li>{escape(line)}</li>" for line in WARNINGS),
        "</ul>",
        *_causes(record),
        "<h2>Steps</h2>",
        "<table><tr><th>step<th>measured<th>figure<th>limit<th>verdict</tr>",
        *_rows(record),
        "</table></html>\n",
    ]
    return "\n".join(part for part in parts if part)


def _causes(record: Record) -> list[str]:
    if not record.causes:
        return []
    found = ["<h2>What may be the cause</h2><ol>"]
    for n, cause in enumerate(record.causes):
        word = "Most likely" if n == 0 else "Also possible"
        found.append(f"<li>{word}: {escape(cause['words'])}.<br>Next: {escape(cause['next'])}.</li>")
    return [*found, "</ol>"]


def _rows(record: Record) -> list[str]:
    rows = []
    for number, step in enumerate(STEPS, 1):
        name = f"{number}. {escape(step.title)}"
        if step.key not in record.steps:
            rows.append(f"<tr><td>{name}<td colspan=3>not taken<td>skipped</tr>")
        for f in record.steps.get(step.key, []):
            cells = "".join(f"<td>{escape(text)}" for text in (f.what, f.figure, f.limit))
            rows.append(
                f"<tr class='{'fail' if f.verdict == 'fail' else 'seen'}'><td>{name}{cells}<td>{f.verdict}</tr>"
            )
            name = ""
    return rows
