"""``python -m linkloss.cli``."""

import sys

from linkloss.cli import main

sys.exit(main())
