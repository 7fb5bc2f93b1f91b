"""`busbench loop`: send a known pattern and read it back, to test cable and adapter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import click

from busbench.cli.numbers import FiniteRange, WholeRange
from busbench.cli.output import format_option, to_the_end, write_csv, write_json
from busbench.errors import PortError

if TYPE_CHECKING:
    from busbench.bench.receiver import LivePort
    from busbench.drive.pattern import Echo
    from busbench.line import Chunk

PERIOD_S = 0.007
AFTER_S = 0.5  # the last echo may wait in an adapter


@dataclass(frozen=True, slots=True)
class LoopResult:
    """The result of a loop; latency is the time from the write of a block to the read that completes it."""

    sent: int
    received: int  # of these, blocks that came back unchanged
    damaged: int  # blocks that came back changed
    lost: int  # blocks that did not come back
    stray_bytes: int  # received bytes in no intact block
    marked_bytes: int  # received bytes that the line marked as damaged
    skipped: int  # slots in which nothing was sent because it was too late
    wire_s: float  # time of a block on the line, the min latency
    latency_s: dict[str, float] | None  # min, median, 99th percentile, max; None if nothing came back
    verdict: str
    is_good: bool  # True if all came back


@click.command("loop")
@click.argument("port", metavar="PORT")
@click.argument("port2", metavar="[PORT2]", required=False)
@click.option(
    "--seconds",
    metavar="SECONDS",
    type=FiniteRange(0.05, 3600),
    default=5.0,
    show_default=True,
    help="Send for this long.",
)
@click.option(
    "--seed",
    metavar="N",
    type=WholeRange(0, 10**9),
    default=1,
    show_default=True,
    help="Set the random seed of the pattern.",
)
@format_option
def command(port: str, port2: str | None, seconds: float, seed: int, format_: str) -> None:
    """Test cable and adapter: send a known pattern to PORT and read it back.

    Connect TX to RX of one adapter, or give the receiving one as PORT2. Unplug
    the servos. The pattern holds no header of a servo frame, so no servo obeys it.

    Exit code 1 if something did not come back.

    \b
    busbench loop /dev/ttyUSB0
    busbench loop /dev/ttyUSB0 /dev/ttyUSB1 --seconds 60
    """
    result = loop(port, port2, seconds=seconds, seed=seed)
    with to_the_end():
        show(result, format_)
    click.get_current_context().exit(0 if result.is_good else 1)


def loop(port: str, port2: str | None = None, *, seconds: float = 5.0, seed: int = 1) -> LoopResult:
    """Send, read back and judge.

    Args:
        port: sends; also receives if there is no second port.

    Raises:
        PortError: a port cannot be used, or was lost meanwhile.
    """
    from contextlib import ExitStack

    from busbench.bench.sources import open_live
    from busbench.drive.pattern import PatternSource, judge_echo

    blocks = max(1, round(seconds / PERIOD_S))
    with ExitStack() as open_ports:
        out = open_ports.enter_context(open_live(port, is_sender=True))
        back = open_ports.enter_context(open_live(port2)) if port2 else out
        back.read(0.05)  # bytes from before
        out.transmit(PatternSource(blocks, seed=seed, period_s=PERIOD_S))
        received, sent = _exchange(out, back)
        how = out.transmission
    if how is None or how.reason:
        raise PortError(port, how.reason if how else "sent nothing", hint="see to the port, then try again")
    echo = judge_echo(received, sent=len(sent), seed=seed)
    return _judge(echo, received, sent, skipped=how.skipped, character_ns=out.line.character_ns)


def _exchange(out: LivePort, back: LivePort) -> tuple[list[Chunk], list[Chunk]]:
    import time

    received: list[Chunk] = []
    sent: list[Chunk] = []
    until: float | None = None
    while until is None or time.monotonic() < until:
        received += back.read(0.05)
        if back is not out:
            out.read(0)
        sent += out.sent()
        if until is None and out.transmission is not None and out.transmission.is_over:
            until = time.monotonic() + AFTER_S
    return received, sent


def _judge(echo: Echo, received: list[Chunk], sent: list[Chunk], *, skipped: int, character_ns: int) -> LoopResult:
    import numpy as np

    from busbench.drive.pattern import BLOCK_BYTES

    latency_s = None
    if echo.intact:
        sent_ns = np.array([chunk.t_ns for chunk in sent], np.int64)
        took_s = (echo.back_ns - sent_ns[echo.number]) / 1e9
        places = np.percentile(took_s, (0, 50, 99, 100))
        latency_s = dict(zip(("min", "median", "p99", "max"), map(float, places), strict=True))
    marked = sum(len(chunk.bad) - chunk.bad.count(0) for chunk in received)
    is_good = echo.intact == len(sent) > 0 and not echo.stray_bytes and not marked
    return LoopResult(
        sent=len(sent),
        received=echo.intact,
        damaged=echo.damaged,
        lost=echo.lost,
        stray_bytes=echo.stray_bytes,
        marked_bytes=marked,
        skipped=skipped,
        wire_s=BLOCK_BYTES * character_ns / 1e9,
        latency_s=latency_s,
        verdict=_verdict(echo, len(sent), marked),
        is_good=is_good,
    )


def _verdict(echo: Echo, sent: int, marked: int) -> str:
    if not sent:
        return "FAIL: nothing was sent: the port takes no bytes"
    if not echo.intact and not echo.stray_bytes:
        return "FAIL: nothing came back: is TX tied to RX, is ground joined, is it the right port?"
    if not echo.intact:
        return "FAIL: only other bytes came back: inverted line, wrong rate, or another program is talking"
    if echo.damaged or echo.lost:
        return "FAIL: not all came back: repair cable or adapter before suspecting a receiver"
    if marked or echo.stray_bytes:
        return "FAIL: all came back, with more than was sent, or with marks of damage: repair cable or adapter"
    return "PASS: all came back: cable and adapter are good at this rate"


def show(result: LoopResult, format_: str) -> None:
    """Print the result."""
    from dataclasses import asdict

    if format_ == "json":
        write_json(asdict(result))
        return
    flat = {key: value for key, value in asdict(result).items() if key not in ("latency_s", "is_good")}
    flat |= {f"latency_{key}_s": value for key, value in (result.latency_s or {}).items()}
    if format_ == "csv":
        write_csv(list(flat), [list(flat.values())])
        return
    for line in text_lines(result):
        click.echo(line)


def text_lines(result: LoopResult) -> list[str]:
    """The result for people."""
    lines = [
        f"blocks sent      {result.sent}",
        f"       received  {result.received}",
        f"       damaged   {result.damaged}",
        f"       lost      {result.lost}",
    ]
    if result.stray_bytes or result.marked_bytes:
        lines.append(f"stray bytes      {result.stray_bytes}, marked as damaged by the line {result.marked_bytes}")
    if result.skipped:
        lines.append(f"slots skipped    {result.skipped} (this machine was busy; no fault of the cable)")
    if result.latency_s:
        took = "  ".join(f"{name} {value * 1e3:.3f}" for name, value in result.latency_s.items())
        lines.append(f"latency, ms      {took}  (the line itself takes {result.wire_s * 1e3:.3f})")
    return [*lines, result.verdict]
