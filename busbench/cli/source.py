"""SOURCE: its options, and reading it with progress and notes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any, TypeVar

import click

from busbench.capture.address import is_live_address
from busbench.capture.base import CHOICE, Capture, ReadOptions
from busbench.cli.live import line_of, line_options, together
from busbench.cli.output import say
from busbench.cli.progress import Progress
from busbench.errors import CaptureError, display_name, pluralize

if TYPE_CHECKING:
    from busbench.analysis.recording import Recording, RecordingTimes
    from busbench.bench.sign_off import Baseline

F = TypeVar("F", bound=Callable[..., Any])
R = TypeVar("R")


# Options for files that leave a choice.
reading_options = together(
    click.option("--interface", metavar="NAME", help="Use this interface of a pcapng: a name or number."),
    click.option("--usb-device", metavar="BUS.DEVICE", help="Use this adapter of a USB capture, as in 1.7."),
    click.option("--signal", metavar="NAME", help="Decode this signal of a VCD or CSV of levels, as in D0."),
)
source_options = together(click.argument("source", metavar="SOURCE"), reading_options, line_options)
sources_options = together(
    click.argument("sources", metavar="SOURCE…", nargs=-1, required=True), reading_options, line_options
)


def fault_option(where: str, *, example: str) -> Callable[[F], F]:
    """Option for the faults of a virtual aircraft; `where` says for which sources."""
    words = f"Build in a fault, as in {example} ({where})."
    return click.option("--fault", "faults", multiple=True, metavar="KIND[:DEVICE[:VALUE]]", help=words)


def read_options(settings: dict[str, Any]) -> ReadOptions:
    """The options of source_options in the form that readers take."""
    line = line_of(settings["baud"], settings["parity"], settings["stop_bits"])
    return ReadOptions(settings["interface"], settings["usb_device"], settings["signal"], line)


def require_recorded(source: str) -> None:
    """Refuse a live source where a recording is needed (raises CaptureError)."""
    from busbench.bench.sources import is_virtual

    if is_virtual(source) or is_live_address(source):
        raise CaptureError(source, "is a live source, not a recording", hint="record it first, or watch it")


@contextmanager
def open_source(
    source: str, options: ReadOptions, *, waiting: Callable[[], object] | None = None, is_one: bool = False
) -> Iterator[Capture]:
    """Open a recording; its notes are printed after reading.

    Args:
        options: choices for files that leave one open.
        waiting: see open_capture.
        is_one: True if the other interfaces of the file are read, too: none is passed over.

    Raises:
        CaptureError: it cannot be read. If part was read, the error is
            printed as a note instead.
    """
    from busbench.capture.open import open_capture

    require_recorded(source)
    with open_capture(source, options=options, waiting=waiting) as capture:
        for option, files in unused(options, capture.info.format):
            say(f"busbench: {option} is for {files}; it was not used")
        try:
            yield capture
        finally:
            if is_one:
                capture.info.notes[:] = [note for note in capture.info.notes if not note.startswith(CHOICE)]
            for note in capture.info.notes:
                say(f"busbench: {display_name(source)}: {note}")


def unused(options: ReadOptions, format_: str) -> list[tuple[str, str]]:
    """Given options that do not fit a format, each with the files it is for."""
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


def read_times(source: str, options: ReadOptions) -> RecordingTimes:
    """Read a recording for its outages and timing, with progress and notes."""
    from busbench.analysis.recording import read_timeline

    return _read(source, options, read_timeline)


def read_all(source: str, options: ReadOptions, *, is_one: bool = False) -> Recording:
    """Read a recording whole, with progress and notes; `is_one` if the others of its file are read, too."""
    from busbench.analysis.recording import read_whole

    return _read(source, options, read_whole, is_one=is_one)


def read_lines(source: str, options: ReadOptions) -> list[Recording]:
    """Read each serial line of a recording whole, with progress and notes; one of all other files."""
    from busbench.capture.open import line_interfaces

    numbers = line_interfaces(source) if options.interface is None else []
    if len(numbers) < 2:
        return [read_all(source, options)]
    return [read_all(source, replace(options, interface=str(number)), is_one=True) for number in numbers]


def read_analyser(path: str, options: ReadOptions) -> Recording:
    """Read a logic analyser's recording of the line that an adapter recorded, whole."""
    return read_all(path, replace(options, usb_device=None, interface=None))


def read_baseline(path: str, options: ReadOptions) -> Baseline:
    """Read an earlier recording whole, with its pulse outputs."""
    from busbench.bench.sign_off import Baseline, pulse_outputs

    return Baseline(path, read_all(path, options), pulse_outputs(path, options))


def _read(source: str, options: ReadOptions, read: Callable[..., R], *, is_one: bool = False) -> R:
    progress = Progress("reading")
    with open_source(source, options, is_one=is_one) as capture:
        whole = read(capture, line=options.line, on_block=lambda frames: progress.at(pluralize(frames, "frame")))
        progress.end()
    return whole
