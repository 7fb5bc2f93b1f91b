"""Options that name an output file, which may not be an input of the same command; what the rig commands share."""

from __future__ import annotations

import inspect
import os
from collections.abc import Callable, Iterator
from typing import Any

import click

from busbench.bench.sources import is_live, rig_in
from busbench.errors import OutputError
from busbench.output_file import refuse_input, write_output

TREE_SIGNS = "└├│Ω²"  # some signs beyond ASCII that a tree uses


class OutputPath(click.types.StringParamType):
    """The name of an output file; for commands of the class OutputCommand."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The name as given."""
        assert ctx is None or isinstance(ctx.command, OutputCommand)
        return super().convert(value, param, ctx)


OUTPUT = OutputPath()


class OutputCommand(click.Command):
    """A command that writes files; before any work it refuses to overwrite its inputs."""

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command (raises OutputError: an output is an input, by whatever name, or is named twice)."""
        outputs = [value for param in self.params if isinstance(param.type, OutputPath) for value in _named(ctx, param)]
        inputs = [
            name
            for param in self.params
            if not isinstance(param.type, OutputPath)
            for value in _named(ctx, param)
            for name in (value, rig_in(value))
            if name
        ]
        for output in outputs:
            refuse_input(output, inputs)
            if [os.path.realpath(other) for other in outputs].count(os.path.realpath(output)) > 1:
                raise OutputError(output, "is named twice", hint="give each file a name of its own")
        return super().invoke(ctx)


class ListedCommand(OutputCommand):
    """A command whose help lists what is declared elsewhere, in place of LISTED.

    Args:
        listed: gives the words, called when the help is read.
    """

    def __init__(self, *args: Any, listed: Callable[[], str], **settings: Any) -> None:
        self._listed, self._help = listed, ""
        super().__init__(*args, **settings)

    @property
    def help(self) -> str | None:
        """The help."""
        text = inspect.cleandoc(self._help or "")
        return text.replace("LISTED", self._listed()) if "LISTED" in text else text

    @help.setter
    def help(self, text: str | None) -> None:
        self._help = text or ""


def _named(ctx: click.Context, param: click.Parameter) -> Iterator[str]:
    """The values of a parameter, without ports and standard streams."""
    value = ctx.params.get(param.name or "")
    for text in value if isinstance(value, tuple) else (value,):
        if isinstance(text, str) and text and text != "-" and "\0" not in text:
            is_port = isinstance(param.type, OutputPath) and is_live(text)
            if not is_port:
                yield text


rig_argument = click.argument("rig", metavar="RIG.toml", type=click.Path(path_type=str))


def write_new(file: str | None, text: str, *, force: bool) -> None:
    """Write text to a new or forced file, or to standard output for None and "-"; raises OutputError."""
    if file in (None, "-"):
        click.echo(text, nl=False)
        return
    write_output(str(file), text, force=force)
