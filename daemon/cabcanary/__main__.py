"""`python -m cabcanary`: the same as the `cabcanary` command."""

import sys

from cabcanary.cli import main

sys.exit(main())
