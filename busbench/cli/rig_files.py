"""Shared by the rig commands: the argument RIG, writing a new file, and tree signs."""

from __future__ import annotations

import click

from busbench.output_file import write_output

TREE_SIGNS = "└├│Ω²"  # some signs beyond ASCII that a tree uses
rig_argument = click.argument("rig", metavar="RIG.toml", type=click.Path(path_type=str))


def write_new(file: str | None, text: str, *, force: bool) -> None:
    """Write text to a new or forced file, or to standard output for None and "-"; raises OutputError."""
    if file in (None, "-"):
        click.echo(text, nl=False)
        return
    write_output(str(file), text, force=force)
