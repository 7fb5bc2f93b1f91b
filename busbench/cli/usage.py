"""Usage errors in the form of all other errors."""

from __future__ import annotations

from collections.abc import Sequence

import click

from busbench.cli.numbers import name_of, quoted
from busbench.errors import BusbenchError, sanitize

_BOTH = ("verify", "watch")  # commands whose SOURCE may be live
_NAME_BOTH = "name a recording, a port or virtual:"
_TO_NAME = {
    "SOURCE": "name a recording, or - for standard input",
    "PORT": "name a port, such as one that `busbench ports` lists",
    "RIG.toml": "name the rig file; `busbench rig new` writes one to start from",
}


def as_error(error: click.ClickException, *, words: Sequence[str] = ()) -> BusbenchError:
    """A usage error as one line: what, where, and what to do next; `words` name the command if the error does not."""
    context = error.ctx if isinstance(error, click.UsageError) else None
    path = context.command_path if context else _path(words)
    see, name = f"see {path} --help", path.rpartition(" ")[2]
    match error:
        case click.MissingParameter():
            missing = name_of(error.param)
            hint = _NAME_BOTH if missing == "SOURCE" and name in _BOTH else _TO_NAME.get(missing, see)
            return BusbenchError(f"{missing}: missing", hint=hint)
        case click.NoSuchOption():
            near = error.possibilities
            hint = f"did you mean {near[0]}?" if near else see
            return BusbenchError(f"{error.option_name}: unknown option", hint=hint)
        case click.BadOptionUsage():
            return BusbenchError(f"{error.option_name}: {_lacks(error.option_name, words)}", hint=see)
        case click.NoSuchCommand():
            near = error.possibilities
            hint = f"did you mean {near[0]}?" if near else see
            return BusbenchError(f"{sanitize(error.command_name, most=40)}: unknown command", hint=hint)
        case click.BadParameter():
            return BusbenchError(f"{name_of(error.param)}: {error.message.rstrip('.')}", hint=see)
        case click.UsageError() if context and isinstance(context.command, click.Group):
            return BusbenchError(f"{name}: which command?", hint=see)
        case click.UsageError() if context:
            taken = " ".join(_arguments(context))
            hint = f"it takes {taken} and options" if taken else "it takes options only"
            return BusbenchError(f"{name}: unexpected argument {quoted(' '.join(_extra(context, words)))}", hint=hint)
    return BusbenchError(error.format_message().rstrip("."), hint=see)


def _lacks(option_name: str, words: Sequence[str]) -> str:
    """The fault in the values of an option."""
    from busbench.cli.main import cli

    command: click.Command | None = cli
    for word in words:
        if isinstance(command, click.Group) and not word.startswith("-"):
            command = command.get_command(click.Context(command), word)
    params = command.params if command else []
    option = next((one for one in params if isinstance(one, click.Option) and option_name in one.opts), None)
    if option is not None and option.is_flag:
        return "takes no value"
    return "needs two values" if option is not None and option.nargs == 2 else "needs a value"


def _extra(context: click.Context, words: Sequence[str]) -> list[str]:
    """Words beyond the arguments of a command."""
    rest = list(words)
    for name in context.command_path.split()[1:]:
        rest = rest[rest.index(name) + 1 :]
    _, extra, _ = context.command.make_parser(context).parse_args(rest)
    return extra


def _path(words: Sequence[str]) -> str:
    """The command of a line, as far as known; those of rig are two words."""
    from busbench.cli.main import COMMANDS

    named = [word for word in words[: 2 if words[:1] == ["rig"] else 1] if word.isalpha()]
    return " ".join(["busbench", *named]) if words and words[0] in COMMANDS else "busbench"


def _arguments(context: click.Context) -> list[str]:
    """The arguments of the command."""
    return [param.make_metavar(context) for param in context.command.params if isinstance(param, click.Argument)]
