"""The manual page of the program, in roff, made from the commands and topics."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterator

import click

from busbench import __version__
from busbench.reference.topics import TOPICS


def manual_page() -> str:
    """The page: commands with their help and options, topics of the reference, exit codes."""
    from busbench.cli.main import cli

    lines = [
        f'.TH BUSBENCH 1 "" "busbench {__version__}" "User Commands"',
        ".SH NAME",
        r"busbench \- bench test tool for the serial servo bus of large model aircraft",
        ".SH SYNOPSIS",
        ".B busbench",
        escape("[--log FILE] COMMAND [ARGS]..."),
        ".SH DESCRIPTION",
        *paragraphs("\b\n" + inspect.cleandoc(cli.help or "")),
        ".SH COMMANDS",
    ]
    for path, command in leaves(cli, "busbench"):
        lines += [f".SS {escape(path)}", *paragraphs(command.help or ""), *options(command)]
    lines.append(".SH TOPICS")
    for name, title in TOPICS.items():
        lines += [".TP", f".B busbench help {escape(name)}", escape(title)]
    return "\n".join(lines) + "\n"


def leaves(group: click.Group, path: str) -> Iterator[tuple[str, click.Command]]:
    """Every command without subcommands, with its words."""
    context = click.Context(group, info_name=path)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from leaves(command, f"{path} {name}")
        elif command is not None:
            yield f"{path} {name}", command


def options(command: click.Command) -> Iterator[str]:
    """The options of a command, one tagged paragraph per option."""
    context = click.Context(command)
    for parameter in command.get_params(context):
        record = parameter.get_help_record(context)
        if record is not None and record[0] != "--help":
            yield from (".TP", rf"\fB{escape(record[0])}\fR", escape(" ".join(record[1].split())))


def paragraphs(text: str) -> Iterator[str]:
    """Paragraphs of a help text; those after a line of `\\b` keep their lines."""
    for part in re.split(r"\n\s*\n", inspect.cleandoc(text)):
        yield ".PP"
        if "\b" in part:
            yield ".nf"
            yield from (escape(line) for line in part.replace("\b", "").strip("\n").splitlines())
            yield ".fi"
        else:
            yield escape(" ".join(part.split()))


def escape(text: str) -> str:
    """Text that roff prints as it is."""
    text = text.replace("\\", r"\e").replace("-", r"\-")
    return rf"\&{text}" if text.startswith((".", "'")) else text
