"""What the commands of the rig share: its argument, writing a file that is not there yet, and the signs of trees."""

from __future__ import annotations

import click

from busbench.output_file import write_output

TREE_SIGNS = "└├│Ω²"  # of those beyond ASCII that a tree is drawn with
rig_argument = click.argument("rig", metavar="RIG.toml", type=click.Path(path_type=str))


def write_new(file: str | None, text: str, *, force: bool) -> None:
    """Write text to a file that is new or forced, or to standard output for None and "-"; OutputError if not."""
    if file in (None, "-"):
        click.echo(text, nl=False)
        return
    write_output(str(file), text, force=force)
