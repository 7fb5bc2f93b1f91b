"""`busbench completion`: what a shell needs to complete commands and options."""

from __future__ import annotations

import click
from click.shell_completion import get_completion_class

from busbench.cli.numbers import OneOf


@click.command("completion")
@click.argument("shell", type=OneOf(("bash", "zsh", "fish")))
def command(shell: str) -> None:
    """Print the completion script of a shell.

    \b
    bash:  eval "$(busbench completion bash)"        in ~/.bashrc
    zsh:   eval "$(busbench completion zsh)"         in ~/.zshrc
    fish:  busbench completion fish | source         in ~/.config/fish/config.fish
    """
    click.echo(script(shell))


def script(shell: str) -> str:
    """The script itself."""
    from busbench.cli.main import cli

    kind = get_completion_class(shell)
    assert kind is not None
    return kind(cli, {}, "busbench", "_BUSBENCH_COMPLETE").source()
