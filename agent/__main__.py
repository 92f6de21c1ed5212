"""`python -m agent` is `roadtally`."""

from __future__ import annotations

import sys

from agent.cli import main

sys.exit(main())
