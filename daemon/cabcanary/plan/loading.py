"""A plan read in a process of its own, for a daemon that is watching meanwhile.

`python -m cabcanary.plan.loading`; one line of JSON on standard input, {"config": …}; on standard output the plan in
lines {"part": …}, base64 of a pickle, and {"whole": true}; or {"problem": …}. Reading and checking the settings takes
about twenty ticks; what the daemon itself must do then takes less than one. It ends with its standard input.
"""

from __future__ import annotations

import base64
import json
import pickle
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from cabcanary.plan.plan import load_plan
from cabcanary.processes.helper import Helper
from cabcanary.processes.input_ends import end_with_input
from cabcanary.processes.status import Status
from cabcanary.validation.problems import SettingsError

if TYPE_CHECKING:
    from cabcanary.plan.plan import Plan

#: Of one line, well below what the daemon reads at once.
_PART = 32_000


class NotLoadedError(Exception):
    """There is no new plan; the message has every problem."""


async def load_elsewhere(config: Path) -> Plan:
    """The plan of a settings file, read and checked by a helper process.

    Raises:
        NotLoadedError: the settings are wrong, or the helper came to nothing.
    """
    parts: list[str] = []
    told: dict[str, Any] = {}

    def take(message: dict[str, Any]) -> None:
        if "part" in message:
            parts.append(str(message["part"]))
        else:
            told.update(message)

    helper = Helper("cabcanary.plan.loading", {"config": str(config)}, Status("loading", lambda *_: None), take)
    try:
        code = await helper.run_once()
    except OSError as error:
        raise NotLoadedError(f"the settings cannot be read now: {error}") from error
    if "problem" in told:
        raise NotLoadedError(str(told["problem"]))
    if not told.get("whole"):
        raise NotLoadedError(f"what reads the settings ended with code {code}; run: cabcanary check {config}")
    # Made a moment ago by our own program, as our own user, and handed over by a pipe.
    return cast("Plan", pickle.loads(base64.b64decode("".join(parts))))  # noqa: S301


def main() -> None:
    """Read one line of settings, write one plan."""
    settings: dict[str, Any] = json.loads(sys.stdin.readline())
    end_with_input(sys.stdin.fileno())
    try:
        whole = base64.b64encode(pickle.dumps(load_plan(Path(settings["config"])))).decode()
    except (SettingsError, OSError) as error:
        _say({"problem": str(error)})
        return
    for at in range(0, len(whole), _PART):
        _say({"part": whole[at : at + _PART]})
    _say({"whole": True})


def _say(message: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(message) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
