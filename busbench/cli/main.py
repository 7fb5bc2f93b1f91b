"""The entry point of the command line: commands are imported only when called."""

from __future__ import annotations

import contextlib
import importlib
import importlib.util
import inspect
import os
import signal
import sys
import threading
from collections.abc import Iterable, Iterator

import click

from busbench import __version__
from busbench.errors import BusbenchError, meant, sanitize
from busbench.output_file import inputs_noted, note_input

# Groups in the order of work; related commands share a line.
GROUPS = {
    "listen": {
        "ports, probe": "list serial ports; report what is on a line",
        "record": "record a port",
        "watch": "show a port, recording or virtual receiver on a screen",
        "simulate": "run a virtual receiver on a pty or a TCP port",
    },
    "read": {
        "frames": "print a row per frame",
        "outages": "find missed frames, and how sure that is",
        "timing": "measure period and jitter; how much is the receiver's",
        "channels": "show what each channel did: endpoints, noise, glitches",
        "pulses": "measure servo pulse outputs beside the bus",
        "compare, survey": "find what changed between two recordings; rank many",
        "convert": "write a recording in another format",
        "report": "make one page of a recording, with pictures",
        "decode, encode": "take a frame apart bit by bit; put one together",
    },
    "move": {
        "loop": "send a pattern, read it back: test cable and adapter",
        "drive": "send test sweeps to a port or a file, inside limits",
        "walk": "move one surface at a time and note what it did",
    },
    "plan": {
        "rig": "plan the aircraft: faults, currents, set-up sheet",
        "verify": "check a receiver and an aircraft, with a page to sign",
    },
    "about": {
        "help": "show the reference: results, wiring, faq, terms, files",
        "completion": "print the completion script of a shell",
    },
}
COMMANDS = {name: text for group in GROUPS.values() for names, text in group.items() for name in names.split(", ")}


class _Commands(click.Group):
    """A group that knows its commands' names and imports one when called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        del ctx
        return [name for name in COMMANDS if importlib.util.find_spec(f"busbench.cli.{name}")]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in self.list_commands(ctx):
            return None
        command: click.Command = importlib.import_module(f"busbench.cli.{cmd_name}").command
        command.short_help = COMMANDS[cmd_name]
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        names = self.list_commands(ctx)
        if args and not args[0].startswith("-") and args[0] not in names:
            hint = meant(args[0], names, otherwise="see busbench --help")
            raise BusbenchError(f"{sanitize(args[0], most=40)}: unknown command", hint=hint)
        return super().resolve_command(ctx, args)

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        # Not click's own help, which would import every command, and would exceed 24 lines.
        self.format_usage(ctx, formatter)
        formatter.write(inspect.cleandoc(self.help or "") + "\n")
        width = max(len(names) for group in GROUPS.values() for names in group)
        for group, rows in GROUPS.items():
            for number, (names, text) in enumerate(rows.items()):
                formatter.write(f"{'' if number else group:<7}{names:<{width}}  {text}\n")


@click.group(
    cls=_Commands,
    options_metavar="[-h | --help] [--version] [--log FILE]",
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, prog_name="busbench")
@click.option("--log", metavar="FILE", help="Write a log of what happens to ports to FILE.")
def cli(log: str | None) -> None:
    """Bench test tool for the serial servo bus of large model aircraft.
    SOURCE is a recording or -, PORT a serial port, socket://HOST:PORT or virtual:
    Exit codes: 0 done and passed, 1 a verdict failed, 2 bad use, 130 interrupted.
    """
    if log is not None:
        _log_to(log)


def _log_to(path: str) -> None:
    import logging

    from busbench.errors import OutputError, unwritable

    try:
        handler = logging.FileHandler(path, encoding="utf-8")
    except OSError as error:
        what, hint = unwritable(path, error)
        raise OutputError(path, what, hint=hint) from None
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    logger = logging.getLogger("busbench")
    logger.setLevel(logging.INFO)
    logger.addHandler(handler)


def run(arguments: Iterable[str] | None = None) -> int:
    """Run one command line: the words after the program's name, by default those of the process."""
    words = sys.argv[1:] if arguments is None else list(arguments)
    _replace_closed_streams()
    with _ended_as_by_ctrl_c(), inputs_noted():
        return _run(words)


def _run(words: list[str]) -> int:
    try:
        note_input(0)  # standard input may be a file
        # Not cli.main(), which handles closed pipes in its own way.
        with cli.make_context("busbench", words) as context:
            result = cli.invoke(context)
        sys.stdout.flush()
        return result if isinstance(result, int) else 0
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except BusbenchError as error:
        if error.details:
            from busbench.cli.output import say

            for line in error.details:
                say(line, indent=2 if line.startswith("  ") else 0)
        _say(str(error))
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
    except click.ClickException as error:
        from busbench.cli.usage import as_error

        _say(str(as_error(error, words=words)))
    except (click.Abort, KeyboardInterrupt):
        from busbench.cli.output import INTERRUPTED

        _say("interrupted")
        return INTERRUPTED
    except BrokenPipeError:
        from busbench.cli.output import drop_output

        drop_output()  # the reader of a pipe has gone: nothing to report
        return 0
    except OSError as error:
        # A full disk under standard output; other files are handled by the rooms that open them.
        from busbench.cli.output import drop_output

        drop_output()
        where, why = error.filename or "standard output", error.strerror or error
        _say(f"{where}: cannot be written ({why}): make room, or write elsewhere")
    return 2


@contextlib.contextmanager
def _ended_as_by_ctrl_c() -> Iterator[None]:
    """Treat ending signals as Ctrl-C, so that unfinished files are removed."""
    before = {}
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:
                before[number] = signal.signal(number, signal.default_int_handler)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _replace_closed_streams() -> None:
    """Replace closed standard streams, or the next file opened would take their number."""
    if sys.stdin is None:
        sys.stdin = open(os.devnull, encoding="utf-8")  # noqa: PTH123, SIM115 - open to the end
    if sys.stdout is None:
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115
    if sys.stderr is None:
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115


def _say(line: str) -> None:
    from busbench.cli.output import say

    say("busbench: " + " ".join(line.split()))


def main() -> None:
    """Run the command line of this process and leave with its exit code."""
    sys.exit(run())
