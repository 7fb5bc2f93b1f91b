"""Entry of the `busbench` command and of `python -m busbench`."""

from __future__ import annotations

import os


def main() -> None:
    """Run the command line."""
    # Each start would pay for a thread of numpy's linear algebra per core, which a command has no use for.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    # Imported late: a child process that imports this module as its main must not load the commands.
    from busbench.cli.main import main as run

    run()


if __name__ == "__main__":
    main()
