"""How a report begins: what was seen, for how long above each boost step, what sounded and why, what was not seen."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.alerts.arrival import blind_seconds
from cabcanary.model import Quality
from cabcanary.recorder.dating import UNKNOWN
from cabcanary.review.figures.drive_figures import SUSTAINED_S
from cabcanary.review.report.looked import Section, clock, length
from cabcanary.review.report.markup import el
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from cabcanary.review.figures.drive_figures import Above
    from cabcanary.review.report.looked import Looked
    from cabcanary.review.report.markup import Markup

#: Alerts that are told one by one in the opening; of more there are only counts.
_TOLD = 8


def seen(looked: Looked) -> Section:
    """What was seen."""
    section, figures, roles = Section("What was seen"), looked.figures, looked.columns.roles
    section.sentences += [_recorded(looked), *_boost(looked), *_leanest(looked), *_idle(looked)]
    if figures.above and figures.above[0].at_most_s > 0:
        section.parts.append(_steps_table(looked, figures.above))
    section.figures = {
        "length_s": round(figures.length_s, 3),
        "running_s": round(figures.running_s, 2) if roles.running else None,
        "highest_boost_psi": _or_none(figures.highest_psi),
        "highest_boost_at_s": figures.highest_at.at_s if figures.highest_at else None,
        "leanest_under_boost": figures.leanest.mixture if figures.leanest else None,
        "leanest_at_boost_psi": figures.leanest.boost_psi if figures.leanest else None,
        "leanest_at_s": figures.leanest.at.at_s if figures.leanest else None,
        "idle_kpa": _or_none(figures.idle_kpa),
        "above": [
            {"boost_psi": a.step_psi, "seconds": a.seconds, "sure_s": a.sure_s, "at_most_s": a.at_most_s}
            for a in figures.above
        ],
    }
    return section


def _or_none(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def _recorded(looked: Looked) -> str:
    figures, manifest = looked.figures, looked.manifest
    vehicle = looked.drive.plan.settings.vehicle
    when = ""
    if figures.start:
        doubt = ", by a clock that nobody vouches for" if manifest is not None and manifest.clock == UNKNOWN else ""
        when = f" on {figures.start[:10]} from {figures.start[11:16]} UTC{doubt}"
    runs = ""
    if looked.columns.roles.running is not None:
        runs = f"; the engine was seen to run for {length(figures.running_s)} of them"
    else:
        runs = "; no channel of this vehicle tells whether the engine ran"
    of = f"{vehicle.name}, stage “{vehicle.stage}”"
    return f"{of}, was recorded for {length(figures.length_s)}{when}{runs}."


def _boost(looked: Looked) -> list[str]:
    figures, roles = looked.figures, looked.columns.roles
    if roles.boost is None:
        return ["There is no channel for boost on this vehicle, so nothing can be said of boost."]
    if figures.highest_psi is None or figures.highest_at is None:
        return ["Boost was never seen for long enough to say how high it went."]
    off = _off(looked, roles.boost, figures.highest_at.at_s)
    top = f"{looked.boost(figures.highest_psi, off)}, at {clock(figures.highest_at.at_s)}"
    steps = [a for a in figures.above if a.at_most_s > 0]
    if not steps:
        first = f"Boost never reached {looked.step(figures.above[0].step_psi)}: t" if figures.above else "T"
        return [f"{first}he most that lasted {spelt(SUSTAINED_S)} s was {top}."]
    lasting = f"The most boost that lasted {spelt(SUSTAINED_S)} s was {top}."
    if not steps[0].seconds:
        first, most = looked.step(steps[0].step_psi), steps[0].at_most_s
        return [
            lasting,
            f"Boost was not seen above {first}; it may have been for {most:.1f} s, as far as the sensor tells.",
        ]
    told = ", ".join(f"above {looked.step(a.step_psi)} for {length(a.seconds)}{_within(a)}" for a in steps)
    left = " In brackets: what the sensor's uncertainty leaves open." if any(map(_within, steps)) else ""
    return [lasting, f"Boost was {told}.{left}"]


def _off(looked: Looked, channel: str, at_s: float) -> float:
    """Two standard uncertainties of a channel in psi at a moment."""
    row = int(abs(looked.columns.seconds - at_s).argmin())
    return 2.0 * float(looked.columns.doubt(channel, "psi")[row])


def _within(above: Above) -> str:
    """The seconds between which it lies, where the sensor leaves that open."""
    if abs(above.at_most_s - above.sure_s) < 0.05:
        return ""
    return f" ({above.sure_s:.1f} to {above.at_most_s:.1f} s)"


def _steps_table(looked: Looked, steps: list[Above]) -> Markup:
    rows = [
        el(
            "tr",
            el("th", f"above {looked.step(a.step_psi)}", scope="row"),
            el("td", f"{a.seconds:.1f} s"),
            el("td", f"{a.sure_s:.1f} s"),
            el("td", f"{a.at_most_s:.1f} s" if a.at_most_s > 0 else "never reached"),
        )
        for a in steps
    ]
    head = el("tr", *(el("th", words, scope="col") for words in ("boost", "likely", "for certain", "at most")))
    caption = el("caption", "Time above each step of boost. For certain and at most: two standard uncertainties.")
    return el("table", caption, el("thead", head), el("tbody", *rows))


def _leanest(looked: Looked) -> list[str]:
    found, roles = looked.figures.leanest, looked.columns.roles
    if roles.mixture is None:
        return ["There is no wideband on this vehicle, so nothing can be said of the mixture."]
    if found is None:
        return ["No mixture was seen to last under boost."]
    row = int(abs(looked.columns.seconds - found.at.at_s).argmin())
    off = 2.0 * float(looked.columns.doubt(roles.mixture)[row])
    what = f"{looked.mixture(found.mixture, off)} at {looked.boost(found.boost_psi)}, at {clock(found.at.at_s)}"
    words = f"The leanest mixture that lasted {spelt(SUSTAINED_S)} s under boost was {what}"
    if looked.ceiling is None:
        return [f"{words}; the drive's rules have no ceiling to hold it against."]
    limit = looked.ceiling(found.boost_psi)
    way = "LEANER than" if found.mixture > limit else "richer than"
    return [f"{words}: {way} the ceiling there, {looked.mixture(limit)}."]


def _idle(looked: Looked) -> list[str]:
    """The manifold at idle, as a pressure and as what it lacks to the air's."""
    idle, roles = looked.figures.idle_kpa, looked.columns.roles
    if idle is None:
        return []
    words = f"At idle the manifold was at {looked.display.show(idle, 'kPa')} absolute"
    air = looked.columns.good(roles.air, "kPa", Quality.WITHIN)
    if not np.isfinite(air).any():
        return [f"{words}."]
    below = idle - float(np.nanmedian(air))
    if looked.display.pressure == "psi":
        return [f"{words}, {looked.display.show(below, 'kPa', above_air=True)}."]
    side = "below" if below < 0 else "above"
    return [f"{words}, {looked.display.show(abs(below), 'kPa')} {side} the air's pressure."]


def sounded(looked: Looked) -> Section:
    """What sounded and why."""
    section = Section("What sounded, and why")
    alerts = looked.sounded
    if not looked.judged:
        section.sentences.append("No rules watched this drive, so that nothing sounded means nothing.")
    elif not alerts:
        section.sentences.append("No alert sounded.")
    else:
        times = "Once" if len(alerts) == 1 else f"{len(alerts)} times"
        section.sentences.append(f"{times} an alert sounded{'' if len(alerts) <= _TOLD else ', the first of them'}:")
        items = [
            el("li", f"at {clock(a.at_s)} {a.words}{_because(a.why)}; {_until(a.at_s, a.until_s)}")
            for a in alerts[:_TOLD]
        ]
        section.parts.append(el("ol", *items))
        if len(alerts) > _TOLD:
            counts = Counter(f"{a.priority} “{a.say}”" for a in alerts)
            section.sentences.append("In all: " + ", ".join(f"{w} ×{n}" for w, n in counts.most_common()) + ".")
    section.figures = {
        "alerts": [
            {"alert": a.alert, "priority": a.priority, "at_s": round(a.at_s, 3), "why": a.why,
             "until_s": None if a.until_s is None else round(a.until_s, 3)}
            for a in alerts
        ]
    }  # fmt: skip
    return section


def _because(why: str) -> str:
    return f", because {why}" if why else ""


def _until(at_s: float, until_s: float | None) -> str:
    return "it stood to the end of the drive" if until_s is None else f"it stood for {length(until_s - at_s)}"


def not_seen(looked: Looked) -> Section:
    """What was not seen."""
    section, figures = Section("What was not seen"), looked.figures
    blind = blind_seconds(looked.events, looked.end_ns)
    section.sentences += [*_blind(looked, blind), *_beyond(looked)]
    rows = [
        el(
            "tr",
            el("th", looked.called(n.channel), scope="row"),
            el("td", ", ".join(f"{_words(q)} {length(s)}" for q, s in n.seconds.items())),
            el("td", f"{n.boosted_s:.1f} s"),
        )
        for n in figures.not_good
    ]
    if rows:
        head = el("tr", *(el("th", w, scope="col") for w in ("channel", "not good", "of it with boost")))
        caption = el("caption", "Channels that were not good, and for how long.")
        section.parts.append(el("table", caption, el("thead", head), el("tbody", *rows)))
    else:
        section.sentences.append("Every measured channel was good at every tick.")
    section.sentences += _losses(looked)
    section.figures = {
        "boosted_s": round(figures.boosted_s, 2),
        "blind_under_boost_s": round(figures.blind_s, 2),
        "blind_alert_s": round(blind, 2),
        "not_good": [
            {"channel": n.channel, "seconds": n.seconds, "with_boost_s": n.boosted_s} for n in figures.not_good
        ],
    }
    return section


def _words(quality: str) -> str:
    ends = {"saturated high": "at the high end of its range", "saturated low": "at the low end of its range"}
    return ends.get(quality, quality)


def _blind(looked: Looked, blind_s: float) -> list[str]:
    figures, found = looked.figures, []
    if figures.boosted_s > 0:
        share = 100 * figures.blind_s / figures.boosted_s
        found.append(
            f"Of the {figures.boosted_s:.1f} s in which there may have been boost, mixture or boost was not seen for "
            f"{figures.blind_s:.1f} s ({share:.1f} %)."
        )
    else:
        found.append("There was no moment in which boost was seen, so nothing is known of the engine under boost.")
    if blind_s > 0:
        found.append(f"An alert that something could not be seen stood for {blind_s:.1f} s.")
    return found


def _beyond(looked: Looked) -> list[str]:
    """What is not known as it was never reached."""
    figures, found = looked.figures, []
    never = next((a for a in figures.above if a.at_most_s == 0), None)
    if never is not None:
        found.append(f"Boost never reached {looked.step(never.step_psi)}: nothing is known of the engine there.")
    missing = sorted({r.baseline or r.channel for r in looked.drive.plan.not_fitted})
    if missing:
        rules = len(looked.drive.plan.not_fitted)
        lacks = ", ".join(looked.called(name) for name in missing)
        found.append(f"{rules} rules did not run, as this vehicle lacks what they need: {lacks}.")
    return found


def _losses(looked: Looked) -> list[str]:
    manifest, found = looked.manifest, []
    if manifest is None:
        return ["The file lies alone: its notes, and what the recorder lost, are not known."]
    if manifest.recovered:
        found.append("The recording was cut off and put together again; its last second may be missing.")
    if manifest.lost_ticks or manifest.lost_blocks or manifest.lost_events:
        lost = f"{manifest.lost_ticks} ticks, {manifest.lost_blocks} blocks and {manifest.lost_events} events"
        found.append(f"The recorder lost {lost}.")
    if manifest.note:
        found.append(f"In putting it together: {manifest.note}.")
    return found
