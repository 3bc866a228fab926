"""The installed daemon on a machine in trouble: `python -m cabcanary_bench.faults.troubled run …`.

What the daemon asks of its machine goes through `troubles.Machine`; nothing else of it is touched.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

from cabcanary_bench.faults.troubles import TROUBLES_VARIABLE, Machine


def main() -> int:
    """Be the daemon, on this machine."""
    machine = Machine(Path(os.environ[TROUBLES_VARIABLE]))
    os.write, time.time_ns = machine.write, machine.time_ns  # type: ignore[assignment]
    from cabcanary.cli.main import main as command

    return command(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
