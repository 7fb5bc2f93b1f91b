"""What the commands of the rig share: its argument, writing a file that is not there yet, and the signs of trees."""

from __future__ import annotations

from pathlib import Path

import click

from busbench.errors import RigError, unwritable

TREE_SIGNS = "└├│Ω²"  # of those beyond ASCII that a tree is drawn with
rig_argument = click.argument("rig", metavar="RIG.toml", type=click.Path(path_type=str))


def write_new(file: str | None, text: str, *, force: bool) -> None:
    """Write text to a file, or to standard output for None and "-".

    Raises:
        RigError: the file is there already and force is not set, or it cannot be written.
    """
    if file in (None, "-"):
        click.echo(text, nl=False)
        return
    path = Path(str(file))
    try:
        with path.open("w" if force else "x", encoding="utf-8", newline="\n") as out:
            out.write(text)
    except (OSError, ValueError) as error:
        what, hint = unwritable(path, error)
        raise RigError(path, "", what, hint=hint) from None


def refuse_existing(file: str | None, *, force: bool) -> None:
    """Refuse a file that is there already, before work is done for it.

    Raises:
        RigError: it is, and force is not set.
    """
    if file not in (None, "-") and not force and Path(str(file)).exists():
        what, hint = unwritable(str(file))
        raise RigError(str(file), "", what, hint=hint)
