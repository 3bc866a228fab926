"""What the settings say of a wideband's timing, and what the drives would have them say."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cabcanary.channels.gas import pipe_of
from cabcanary.channels.gas_delay import volume_flow_m3_s
from cabcanary.plan.plan import plan_from_texts
from cabcanary.plan.roles import roles_of
from cabcanary.settings.derived import AsBurntChannel, FuelCutChannel
from cabcanary.settings.editing import CannotEditError, Edited
from cabcanary.settings.load import rules_from_text, settings_from_text
from cabcanary.settings.replacing import replace, unchanged
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary.channels.gas_delay import Pipe
    from cabcanary.plan.plan import Plan
    from cabcanary.review.witness.timing_fit import Learnt
    from cabcanary.settings.schema import Settings

    Floats = NDArray[np.float64]

#: A pull, at which boost as it was burnt is wanted: rpm and Pa absolute.
_PULL = 3000.0, 115_000.0
_MS, _LITRE = 1e3, 1e3


@dataclass(frozen=True, slots=True)
class Described:
    """The wideband's name, its response, s, and the channels that have its gas's delay: by name their settings."""

    mixture: str
    response: float
    gas: dict[str, AsBurntChannel | FuelCutChannel]

    @property
    def pipe(self) -> Pipe | None:
        """The engine that feeds the pipe; None where no channel has one."""
        found = next((c.pipe for c in self.gas.values() if c.pipe is not None), None)
        return None if found is None else pipe_of(found)


class Proposal(NamedTuple):
    """One key: where it lies, what it says, what it is to say, and for a person why."""

    path: tuple[str, ...]
    now: str
    wanted: str
    why: str

    def line(self) -> str:
        """For a person."""
        return f"{'.'.join(self.path[1:])}: {self.now} -> {self.wanted} ({self.why})"


def described(settings: Settings) -> Described | None:
    """None where no wideband is measured."""
    mixture = roles_of(settings).mixture
    spec = settings.channels.get(mixture) if mixture else None
    if mixture is None or not isinstance(spec, MeasuredChannel):
        return None
    gas = {
        name: c
        for name, c in settings.channels.items()
        if isinstance(c, (AsBurntChannel, FuelCutChannel)) and c.lambda_channel == mixture
    }
    return Described(mixture, spec.response_time, gas)


def proposals(said: Described, found: Learnt) -> list[Proposal]:
    """Keys whose value the drives contradict: it lies outside the 95 % interval of what it should be."""
    wanted = [_wanted(("channels", said.mixture, "response_time"), said.response, found.response, "ms")]
    for name, channel in said.gas.items():
        place = ("channels", name)
        # Boost is looked up in pulls, where the way is short; without the flow nobody knows by how much.
        pull = isinstance(channel, AsBurntChannel) and channel.pipe is not None and found.volume is not None
        delay = _in_a_pull(channel, found) if pull else found.delay
        wanted.append(_wanted((*place, "transport_delay"), channel.transport_delay, delay, "ms"))
        if channel.pipe is None or found.volume is None or found.dead is None:
            continue
        volume = _wanted((*place, "pipe", "volume"), channel.pipe.volume, found.volume, "L")
        dead = _wanted((*place, "pipe", "dead_time"), channel.pipe.dead_time, np.maximum(found.dead, 0.0), "ms")
        # Volume and dead time make up for each other: one alone would be worse than none.
        wanted += [volume, dead] if volume[1] or dead[1] else []
        if volume[1] or dead[1]:
            wanted[-2:] = [(volume[0], True), (dead[0], True)]
    return [proposal for proposal, outside in wanted if outside]


def _in_a_pull(channel: AsBurntChannel | FuelCutChannel, found: Learnt) -> Floats:
    assert channel.pipe is not None
    assert found.volume is not None
    assert found.dead is not None
    delay: Floats = found.dead + found.volume / volume_flow_m3_s(pipe_of(channel.pipe), *_PULL) + 120.0 / _PULL[0]
    return np.maximum(delay, 120.0 / _PULL[0])


def _wanted(path: tuple[str, ...], now: float, draws: Floats, unit: str) -> tuple[Proposal, bool]:
    """The proposal, and whether what stands lies outside the interval."""
    scale = _LITRE if unit == "L" else _MS
    low, middle, high = (float(x) * scale for x in np.percentile(draws, (2.5, 50.0, 97.5)))
    # Milliseconds are whole; a volume has two digits behind the point.
    number = max(round(middle, 2), 0.05) if unit == "L" else max(round(middle), 1 if path[-1] == "response_time" else 0)
    why = f"95 %: {spelt(low, 3)} to {spelt(high, 3)} {unit}"
    outside = not low <= now * scale <= high and not math.isclose(now * scale, number)
    return Proposal(path, f"{spelt(now * scale, 3)} {unit}", f"{spelt(number, 4)} {unit}", why), outside


def new_text(plan: Plan, wanted: list[Proposal]) -> str:
    """The settings with these keys, found good as a whole.

    Raises:
        CannotEditError: the text cannot be changed with care.
        SettingsError: with them the settings would be wrong.
    """
    edited = Edited(plan.settings_text)
    for proposal in wanted:
        edited.put(proposal.path, proposal.wanted)
    try:
        text = edited.text()
    except CannotEditError as error:
        raise CannotEditError(f"the wideband's timing: {error}") from error
    rules = [rules_from_text(words, plan.file.parent / name) for name, words in plan.rule_texts.items()]
    plan_from_texts(settings_from_text(text, plan.file), rules)
    return text


def write(plan: Plan, text: str) -> None:
    """Put it in place of the settings that were read.

    Raises:
        OSError: it cannot be written.
        ChangedMeanwhileError: the file has changed since it was read.
    """
    replace(plan.file, unchanged(plan.file, plan.settings_text), text)


def as_json(wanted: list[Proposal]) -> list[dict[str, Any]]:
    """For a program."""
    return [{"key": ".".join(p.path), "now": p.now, "wanted": p.wanted} for p in wanted]
