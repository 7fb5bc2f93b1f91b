"""Entry of the `busbench` command and of `python -m busbench`."""

from __future__ import annotations


def main() -> None:
    """Run the command line."""
    # Imported late: a child process that imports this module as its main must not load the commands.
    from busbench.cli.main import main as run

    run()


if __name__ == "__main__":
    main()
