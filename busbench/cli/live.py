"""PORT: its options, and listening to it."""

from __future__ import annotations

import contextlib
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from typing import Any, TypeVar

import click

from busbench.cli.numbers import OneOf, WholeRange
from busbench.line import BUS_LINE, LineSettings

LOOK_S = 0.2
_MMAP_THRESHOLD, _THRESHOLD_BYTES = -3, 128 << 10  # parameter of glibc's mallopt, and its default
F = TypeVar("F", bound=Callable[..., Any])

arm_option = click.option(
    "--arm", "is_armed", is_flag=True, help="Let a real port move the aircraft, after the cautions."
)


def together(*options: Callable[[F], F]) -> Callable[[F], F]:
    """Options that go together, in the order in which help lists them."""

    def decorate(function: F) -> F:
        for option in reversed(options):
            function = option(function)
        return function

    return decorate


motor_options = together(
    click.option(
        "--motor", multiple=True, metavar="CH[=REST]", help="Lock the channel of a motor at REST [default: -100 %]."
    ),
    click.option("--no-motor", is_flag=True, help="State that no channel drives a motor."),
)
line_options = together(
    click.option("--baud", metavar="BAUD", type=WholeRange(300, 4_000_000), default=100_000, show_default=True,
                 help="Set the rate of the line."),
    click.option("--parity", type=OneOf(("E", "O", "N")), default="E", show_default=True,
                 help="Set the parity: even, odd or none."),
    click.option("--stop-bits", type=OneOf(("1", "2")), default="2", show_default=True,
                 help="Set the stop bits of the line."),
)  # fmt: skip


def line_of(baud: int, parity: str, stop_bits: str) -> LineSettings:
    """The values of line_options as settings."""
    return LineSettings(baud, parity, int(stop_bits), BUS_LINE.inverted)


@contextlib.contextmanager
def stop_signals() -> Iterator[threading.Event]:
    """Ctrl-C and ending signals set an event, so that writing is completed.

    If the parent process ignores SIGHUP, so does this one: it continues without its terminal.
    """
    stop = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    names = ["SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"]
    wanted = [getattr(signal, name) for name in names if hasattr(signal, name)]
    wanted = [one for one in wanted if one == signal.SIGINT or signal.getsignal(one) is not signal.SIG_IGN]
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in wanted}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def give_back_what_is_freed() -> None:
    """Return large freed memory to the system, for the whole run.

    glibc raises the size from which it does so with every large piece that is freed, up
    to 32 MB; from then on such pieces leave holes, and a program that listens for days grows.
    Only for such a program: each large piece then costs a call of the system.
    """
    if sys.platform == "linux":
        import ctypes

        with contextlib.suppress(OSError, AttributeError):  # another C library
            ctypes.CDLL(None).mallopt(_MMAP_THRESHOLD, _THRESHOLD_BYTES)
