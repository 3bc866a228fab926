"""`python -m cabcanary`: the same as the `cabcanary` command."""

import sys

from cabcanary.cli.main import main

sys.exit(main())
