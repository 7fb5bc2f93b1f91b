"""What the terminal can do."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping


def is_dumb(environ: Mapping[str, str] | None = None) -> bool:
    """True where the terminal cannot show screens.

    Args:
        environ: the environment, by default that of the process.
    """
    term = (os.environ if environ is None else environ).get("TERM", "")
    return term == "dumb" or (not term and sys.platform != "win32")
