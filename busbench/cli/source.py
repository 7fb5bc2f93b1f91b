"""SOURCE: the options that go with it, and reading it with progress and notes."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, TypeVar

import click

from busbench.capture.base import Capture, ReadOptions
from busbench.cli.live import line_of, line_options
from busbench.cli.output import is_terminal, say
from busbench.errors import CaptureError, display_name

F = TypeVar("F", bound=Callable[..., Any])


def source_options(function: F) -> F:
    """SOURCE and what a person may have to say where a file leaves a choice."""
    for decorate in (
        line_options,
        reading_options,
        click.argument("source", metavar="SOURCE"),
    ):
        function = decorate(function)
    return function


def reading_options(function: F) -> F:
    """What a person may have to say where a file leaves a choice."""
    for decorate in (
        click.option("--signal", metavar="NAME", help="Signal to decode in a VCD or CSV of levels, as in D0."),
        click.option(
            "--usb-device", metavar="BUS.DEVICE", help="Adapter to take in a pcapng of a USB host, as in 1.7."
        ),
        click.option("--interface", metavar="NAME", help="Interface to take in a pcapng, by name or number, as in 0."),
    ):
        function = decorate(function)
    return function


def fault_option(where: str, *, example: str) -> Callable[[F], F]:
    """What is to be wrong with a virtual aircraft.

    Args:
        where: with what the option goes, in a word or two.
    """
    words = f"{where}. Build a fault into the aircraft, as in {example}."
    return click.option("--fault", "faults", multiple=True, metavar="KIND[:DEVICE[:VALUE]]", help=words)


def read_options(settings: dict[str, Any]) -> ReadOptions:
    """The options of source_options as the readers take them."""
    line = line_of(settings["baud"], settings["parity"], settings["stop_bits"])
    return ReadOptions(settings["interface"], settings["usb_device"], settings["signal"], line)


@contextmanager
def open_source(source: str, options: ReadOptions, *, waiting: Callable[[], object] | None = None) -> Iterator[Capture]:
    """Open a recording; its notes are said when all is read.

    Args:
        source: as the person gave it.
        options: what a file may leave open.
        waiting: see open_capture.

    Raises:
        CaptureError: it cannot be read. Where some could be read, the error is
            kept for the notes instead.
    """
    from busbench.capture.open import open_capture

    if source.startswith("virtual:") or ("://" in source):
        raise CaptureError(source, "is a live source, not a recording", hint="record it first, or watch it")
    with open_capture(source, options=options, waiting=waiting) as capture:
        for option, files in unused(options, capture.info.format):
            say(f"busbench: {option} is for {files}; it was not used")
        try:
            yield capture
        finally:
            for note in capture.info.notes:
                say(f"busbench: {display_name(source)}: {note}")


def unused(options: ReadOptions, format_: str) -> list[tuple[str, str]]:
    """Options that were given but do not fit a format, each with the files that it is for."""
    fits = (
        (
            "--signal",
            options.signal,
            "files of level changes",
            ("VCD", "CSV of levels", "CSV of volts", "sigrok session"),
        ),
        ("--usb-device", options.usb_device, "captures of a USB host", ("USB capture",)),
        ("--interface", options.interface, "packet captures", ("pcapng", "pcap", "USB capture")),
    )
    return [(option, files) for option, value, files, formats in fits if value is not None and format_ not in formats]


_LEVEL_FORMATS = ("VCD", "CSV of levels", "CSV of volts", "sigrok session")


class Progress:
    """A line on standard error that tells how far long work has come; silent for the first second."""

    def __init__(self, what: str) -> None:
        self._what = what
        self._begun = self._shown = time.monotonic()
        self._is_on = is_terminal()
        self._has_shown = False

    def at(self, done: str) -> None:
        """Tell how far it is, at most five times a second."""
        now = time.monotonic()
        if self._is_on and now - self._begun > 1 and now - self._shown > 0.2:
            click.echo(f"\r{self._what}: {done}, {now - self._begun:.0f} s ", nl=False, err=True)
            self._shown, self._has_shown = now, True

    def end(self) -> None:
        """Take the line away."""
        if self._has_shown:
            click.echo("\r\x1b[K", nl=False, err=True)
