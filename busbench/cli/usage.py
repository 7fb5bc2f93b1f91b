"""What click says of a command line that is typed wrongly, in the form of all other errors."""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence

import click

from busbench.errors import BusbenchError, sanitize

_SHOWN_MOST = 40
_KINDS = {"integer": "a whole number", "float": "a number", "boolean": "yes or no"}

_BOTH = ("verify", "watch")  # the commands whose SOURCE may be live
_NAME_BOTH = "name a recording, a port or virtual:"
_TO_NAME = {
    "SOURCE": "name a recording, or - for standard input",
    "PORT": "name a port, such as one that `busbench ports` lists",
    "RIG.toml": "name the rig file; `busbench rig new` writes one to start from",
}


def as_error(error: click.ClickException, *, words: Sequence[str] = ()) -> BusbenchError:
    """The same as one line: what, where, and what to do next.

    Args:
        words: the command line behind the program's name, which tells the command where the error does not.
    """
    path = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else _path(words)
    see = f"see {path} --help"
    said = " ".join(error.format_message().split())
    name = path.rpartition(" ")[2]
    match error:
        case click.MissingParameter():
            missing = _name(error)
            is_bench = path.rpartition(" ")[2] in _BOTH
            hint = _NAME_BOTH if missing == "SOURCE" and is_bench else _TO_NAME.get(missing, see)
            return BusbenchError(f"{missing}: missing", hint=hint)
        case click.NoSuchOption():
            near = error.possibilities
            return BusbenchError(
                f"{error.option_name}: is not an option", hint=f"did you mean {near[0]}?" if near else see
            )
        case click.BadOptionUsage():
            takes_none = "does not take" in said
            words = "takes no value" if takes_none else "needs two values" if " 2 " in said else "needs a value"
            return BusbenchError(f"{error.option_name}: {words}", hint=see)
        case click.BadParameter():
            return _wrong_value(_name(error), error.message, see)
        case click.UsageError() if extra := re.match(r"Got unexpected extra arguments? \((.*)\)", said):
            taken = " ".join(_arguments(error))
            hint = f"it takes {taken} and options" if taken else "it takes options only"
            return BusbenchError(f'{name}: "{sanitize(extra[1], most=_SHOWN_MOST)}" is too much', hint=hint)
        case _ if said == "Missing command.":
            return BusbenchError(f"{name}: which command?", hint=see)
        case click.UsageError() if found := re.match(r"No such command '(.*?)'\.", said):
            word, group = sanitize(found[1], most=_SHOWN_MOST), error.ctx and error.ctx.command
            near = difflib.get_close_matches(word, group.commands, n=1) if isinstance(group, click.Group) else []
            return BusbenchError(f"{word}: is not a command", hint=f"did you mean {near[0]}?" if near else see)
    return BusbenchError(said.rstrip("."), hint="" if ": " in said else see)


def _path(words: Sequence[str]) -> str:
    """The command that a line names, as far as can be told: rig and one of its own are two words."""
    from busbench.cli.main import COMMANDS

    named = [word for word in words[: 2 if words[:1] == ["rig"] else 1] if word.isalpha()]
    return " ".join(["busbench", *named]) if words and words[0] in COMMANDS else "busbench"


def _arguments(error: click.UsageError) -> list[str]:
    """What the command takes besides options."""
    if error.ctx is None:
        return []
    return [param.make_metavar(error.ctx) for param in error.ctx.command.params if isinstance(param, click.Argument)]


def _name(error: click.BadParameter) -> str:
    """The option, or the argument as help shows it."""
    param = error.param
    if isinstance(param, click.Option):
        return max(param.opts, key=len)
    if param is None:
        return str(error.param_hint or "command line")
    return (param.metavar or (param.name or "").upper()).strip("[]")


def _wrong_value(name: str, said: str, see: str) -> BusbenchError:
    """Of click's words about a value: the value in quotes, and what would do."""
    if found := re.fullmatch(r"'(.*)' is not a valid (\w+)(?: range)?\.", said, re.DOTALL):
        return BusbenchError(f"{name}: {_quoted(found[1])} is not {_KINDS.get(found[2], 'valid')}", hint=see)
    if found := re.fullmatch(r"(\S+) is not in the range (.*)\.", said):
        return BusbenchError(f"{name}: {_short(found[1])} is out of range", hint=_range(found[2]))
    if found := re.fullmatch(r"'(.*)' is not one of (.*)\.", said, re.DOTALL):
        words = re.findall(r"'([^']*)'", found[2])
        return BusbenchError(f"{name}: {_quoted(found[1])} is not known", hint=f"give {_either(words)}")
    return BusbenchError(f"{name}: {said.rstrip('.')}", hint=see)


def _quoted(text: str) -> str:
    return f'"{sanitize(text, most=_SHOWN_MOST)}"'


def _short(text: str) -> str:
    """A number as people type it: 0, not 0.0."""
    try:
        return f"{float(text):.10g}"
    except ValueError:
        return text


def _range(text: str) -> str:
    low, high = re.match(r"([^x<]+)(?=<)", text), re.search(r"x<=?(.+)", text)
    above = re.search(r"x>(=?)(.+)", text)
    if low and high:
        return f"give {_short(low[1])} to {_short(high[1])}"
    if above:
        return f"give {_short(above[2])} or more" if above[1] else f"give more than {_short(above[2])}"
    return f"give {_short(high[1])} at most" if high else f"give {text}"


def _either(words: list[str]) -> str:
    return " or ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)
