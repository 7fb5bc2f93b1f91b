"""The fuzzing targets: each takes foreign bytes and checks its law."""

from __future__ import annotations

import contextlib
import importlib
import json
import random
import sys
import time
import traceback
import tracemalloc
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import fuzz_seeds as seeds
from fuzz_seeds import Inner

ROOT = Path(__file__).resolve().parent.parent
if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))
_FLOOR_S = 2.0
_MB = 1 << 20


@dataclass(frozen=True)
class Target:
    """Something that takes foreign bytes.

    Args:
        about: in a few words.
        run: takes the bytes and a path to write them to; raises where a law does not hold.
        seeds: inputs to start from.
        mutate: makes an input of another one, with an inner mutator for plain bytes.
    """

    about: str
    run: Callable[[bytes, str], None]
    seeds: Callable[[], list[bytes]]
    mutate: Callable[[bytes, random.Random, Inner], bytes]


class FoundError(Exception):
    """What went wrong, and a key by which the same is known again."""

    def __init__(self, what: str, key: str) -> None:
        super().__init__(f"{key}: {what}")
        self.what, self.key = what, key


def attempt(target: Target, data: bytes, path: str, *, measured: bool = False) -> None:
    """Run a target once.

    Args:
        target: what to run.
        data: the input.
        path: a file that may be written.
        measured: True to measure memory too, which is slow.

    Raises:
        FoundError: it did what it must not do.
    """
    from busbench.errors import BusbenchError

    begun = time.process_time()
    if measured:
        tracemalloc.start()
    try:
        target.run(data, path)
    except BusbenchError as error:
        if not _is_clean(str(error)) or len(str(error)) > 2000 + len(path):
            raise FoundError(f"not one clean line: {str(error)[:300]!r}", f"line {type(error).__name__}") from None
    except Exception as error:
        frames = [frame for frame in traceback.extract_tb(error.__traceback__) if "busbench" in frame.filename]
        place = f"{Path(frames[-1].filename).name}:{frames[-1].lineno}" if frames else "?"
        what = "".join(traceback.format_exception(error)[-6:])
        raise FoundError(what, f"{type(error).__name__} at {place}") from None
    finally:
        peak = tracemalloc.get_traced_memory()[1] if measured else 0
        tracemalloc.stop()
    took = time.process_time() - begun
    if took > max(_FLOOR_S, len(data) / _MB) and not measured:
        raise FoundError(f"{took:.1f} s for {len(data)} bytes", "slow")
    if peak > 10 * len(data) + 100 * _MB:
        raise FoundError(f"{peak / _MB:.0f} MB for {len(data)} bytes", "memory")


def _is_clean(text: str) -> bool:
    from busbench.errors import sanitize

    return sanitize(text) == text


def _hold(law: bool, said: str) -> None:
    if not law:
        raise AssertionError(said)


def _taken(capture: Any) -> list[Any]:
    """All blocks of a capture, the contract of readers checked."""
    import numpy as np

    logs, end, marked = [], 0, 0
    try:
        for log in capture.blocks():
            _hold(log.offset == end, "offsets follow one another")
            end = log.end
            if capture.info.clock.is_known and len(log):
                _hold(log.mark_end.size > 0 and int(log.mark_end[-1]) == end, "the last byte has a time")
                _hold(bool((np.diff(log.mark_end, prepend=marked) > 0).all()), "marks rise")
                marked = end
            logs.append(log)
    finally:
        info = capture.info
        _hold(all(map(_is_clean, (info.source, *info.notes, *(mark.text for mark in info.marks)))), "words are clean")
    return logs


def _reader(name: str) -> Callable[[bytes, str], None]:
    def run(data: bytes, path: str) -> None:
        from busbench.capture.base import ReadOptions

        module = importlib.import_module(f"busbench.capture.{name}")
        Path(path).write_bytes(data)
        choice = zlib.crc32(data) % 5
        options = ReadOptions("1", "1.7", "1") if choice == 0 else ReadOptions()
        module.sniff(data)
        with module.open_file(path, options) as capture:
            logs = _taken(capture)
            if choice == 1:
                again = _taken(capture)
                _hold(
                    [log.data.tobytes() for log in logs] == [log.data.tobytes() for log in again], "reads twice alike"
                )

    return run


def _any_file(data: bytes, path: str) -> None:
    """Whatever content detection makes of it, whole and cut, up to the figures of all commands."""
    from busbench.analysis.recording import read_recording
    from busbench.errors import BusbenchError

    for part in (data[: zlib.crc32(data) % (len(data) + 1)], data):
        Path(path).write_bytes(part)
        with contextlib.suppress(BusbenchError) if part is not data else contextlib.nullcontext():
            found = read_recording(path)
            _hold(
                25 * len(found.frames) + found.rejects.bytes_total == found.span.bytes_total, "all bytes accounted for"
            )
            _figures(found.frames, found.rejects, found.clock, found.span, found.info)


def _figures(frames: Any, rejects: Any, clock: Any, span: Any = None, info: Any = None) -> None:
    from busbench.analysis.channels import summarise_channels
    from busbench.analysis.outages import find_outages
    from busbench.analysis.timing import timing

    more: dict[str, Any] = {}
    if span is not None:
        more = {"start_ns": span.first_t_ns, "end_t_ns": span.last_t_ns, "ambiguous": span.ambiguous}
        more |= {"start_utc_ns": info.start_utc_ns, "marks": info.marks}
    times = frames.times()
    for one in (
        find_outages(times, rejects, first_offset=frames.first_offset, clock=clock, **more),
        timing(times, clock=clock),
        summarise_channels(frames, rejects, clock=clock),
    ):
        json.dumps(one.to_json(), allow_nan=False)


def _edges(data: bytes, path: str) -> None:
    """Levels of all signals, the bytes on each, and pulses beside the bus."""
    from busbench.analysis.pulses import find_pulses
    from busbench.capture import level_csv, vcd
    from busbench.capture.edges import read_edges
    from busbench.wire.uart import decode_line

    Path(path).write_bytes(data)
    signals = read_edges(vcd.VcdLevels(path) if vcd.sniff(data) else level_csv.LevelCsvFile(path))
    for edges in signals.values():
        _hold(bool((edges.t_ns[1:] > edges.t_ns[:-1]).all()), "edges rise")
        decode_line(edges)
    find_pulses(signals)


def _line(data: bytes, _: str) -> None:
    """Edges of any spacing: read by the bus's settings and by others, whole and in pieces."""
    import numpy as np

    from busbench.line import LineSettings
    from busbench.wire.edges import Edges
    from busbench.wire.uart import LineDecoder, decode_fixed, decode_line

    rng = random.Random(zlib.crc32(data))
    words = np.frombuffer(data[: len(data) & ~1], "<u2").astype(np.int64)
    times = np.cumsum(np.maximum(words * rng.choice((1, 1, 10, 1000, 10**9)), 1))
    cut = rng.randint(0, times.size)
    edges = Edges(times, rng.randint(0, 1), 0, int(times[-1]) if times.size else 0)
    found = decode_line(edges)
    _hold(len(found) <= times.size + 1 and bool((np.diff(found.t_ns) > 0).all()), "characters rise")
    for line in (LineSettings(), LineSettings(115_200, "N", 1), LineSettings(9600, "O", 1, False)):
        decode_fixed(edges, line=line)
        decoder = LineDecoder(line=line)
        first = Edges(times[:cut].copy(), edges.initial, 0, int(times[cut - 1]) if cut else 0)
        decoder.feed(first)
        decoder.feed(Edges(times[cut:].copy(), first.final, first.end_ns, edges.end_ns))
        decoder.flush()


def _frames(data: bytes, _: str) -> None:
    """Alignment: any cut into reads gives one table; every byte is accounted for; then the figures."""
    import numpy as np

    from busbench.model import ByteLog, Clock, ClockKind, Rejects
    from busbench.wire.framing import FrameFinder, find_frames
    from busbench.wire.table import AlignmentResult

    log, clock = seeds.timed_log(data)
    whole = find_frames(log, clock=clock)
    rng = random.Random(zlib.crc32(data))
    cuts = sorted(rng.choices(log.mark_end.tolist() or range(len(log) + 1), k=rng.randint(0, 9))) if len(log) else []
    finder, parts, end = FrameFinder(clock=clock), [], 0
    for cut in (*cuts, len(log)):
        mine = (log.mark_end > end) & (log.mark_end <= cut)
        bad = None if log.bad is None else log.bad[end:cut]
        parts.append(finder.feed(ByteLog(end, log.data[end:cut], log.mark_end[mine], log.mark_t_ns[mine], bad)))
        end = cut
        given = sum(25 * len(part.frames) + part.rejects.bytes_total for part in parts)
        _hold(given + finder.pending == end, "accepted + rejected + pending = fed")
    split = AlignmentResult.concat([*parts, finder.flush()])
    for name in ("offset", "raw", "line_marks", "t_ns", "slack_ns"):
        _hold(np.array_equal(getattr(whole.frames, name), getattr(split.frames, name)), f"{name} whole and in pieces")
    _hold(_runs(whole.rejects) == _runs(split.rejects), "rejects whole and in pieces")
    _hold(25 * len(whole.frames) + whole.rejects.bytes_total == len(log), "all bytes accounted for")
    _figures(whole.frames, whole.rejects, clock)
    _figures(whole.frames, Rejects.empty(), Clock(ClockKind.PER_BYTE, 1))


def _runs(rejects: Any) -> list[tuple[int, ...]]:
    return [*zip(rejects.offset.tolist(), rejects.length.tolist(), rejects.reason.tolist(), strict=True)]


def _probe(data: bytes, _: str) -> None:
    from busbench.analysis.line_probe import classify

    log, clock = seeds.timed_log(data)
    said = classify(seeds.chunks_of(log), clock=clock)
    _hold(_is_clean(said.says + said.advice), "words are clean")


def _rig(data: bytes, path: str) -> None:
    """A plan: its faults, voltages and currents, tree, sheet."""
    from busbench.rig.check import check_rig
    from busbench.rig.load import read_rig
    from busbench.rig.power import find_endurance, power_cases
    from busbench.rig.sheet import sheet_html, sheet_lines
    from busbench.rig.weakest import find_weakest
    from busbench.rig.wiring_tree import draw_tree, layout_tree

    Path(path).write_bytes(data)
    rig = read_rig(path)
    words = [str(finding) for finding in check_rig(rig)]
    words += [*sheet_lines(rig), *draw_tree(layout_tree(rig)).split("\n")]
    if zlib.crc32(data) % 16 == 0:
        sheet_html(rig)
    _hold(all(_is_clean(line) for word in words for line in word.split("\n")), "words are clean")
    power_cases(rig)
    find_weakest(rig)
    find_endurance(rig, moving_pct=20.0)


def _walk(data: bytes, path: str) -> None:
    from busbench.drive.surface_file import read_walk
    from busbench.rig.load import read_rig
    from busbench.verify.surface_checks import check_walk

    Path(path).write_bytes(data)
    saved = read_walk(path)
    _CACHE.setdefault("rig", read_rig(ROOT / "captures" / "heron.toml") if "rig" not in _CACHE else None)
    for check in check_walk(saved, _CACHE["rig"], path=path):
        json.dumps(check.to_json() if hasattr(check, "to_json") else str(check))


_CACHE: dict[str, Any] = {}


def _program(data: bytes, path: str) -> None:
    import numpy as np

    from busbench.drive.dry_run import dry_run
    from busbench.drive.frame_generator import EndState
    from busbench.drive.part_parser import ReplaySource
    from busbench.drive.preview import preview_lines
    from busbench.drive.program_file import read_program

    Path(path).write_bytes(data)
    recorded = ReplaySource(np.arange(5).astype(np.float64), np.full((5, 18), 1.0, np.float64))
    program = read_program(path, load=lambda _: recorded)
    if program.slots <= 3000:
        words = list(preview_lines(program, dry_run(program), is_ascii=True, end=EndState.REST))
        _hold(all(map(_is_clean, words)), "words are clean")


def _virtual(data: bytes, _: str) -> None:
    from busbench.sim.address import parse_virtual

    parse_virtual("virtual:" + data[:100].decode("utf-8", "surrogateescape"))


def _marked(data: bytes, _: str) -> None:
    """Marks of a serial line taken out: any cut into reads gives the same bytes."""
    from busbench.port.parmrk import Unmarker

    def taken(parts: Iterator[bytes]) -> tuple[bytes, bytes]:
        unmarker, out, marks = Unmarker(), b"", b""
        for got, bad in [*map(unmarker.feed, parts), unmarker.flush()]:
            _hold(len(bad) in (0, len(got)), "a mark for each byte")
            out, marks = out + got, marks + (bad or bytes(len(got)))
        return out, marks

    at = zlib.crc32(data) % (len(data) + 1)
    _hold(taken(iter([data])) == taken(iter([data[:at], data[at:]])), "whole and in pieces alike")


def _messages(data: bytes, _: str) -> None:
    """Messages from the child to its parent: any cut into reads gives the messages that went in."""
    from busbench.errors import PortError
    from busbench.line import Chunk
    from busbench.port import ipc as m

    rng = random.Random(zlib.crc32(data))
    sent: list[object] = []
    stream = b""
    for at in range(0, len(data), 40):
        part, t_ns = data[at : at + 40], rng.choice((0, -1, 2**63 - 1, -(2**63), rng.getrandbits(40)))
        text = part.decode("utf-8", "surrogateescape")
        event = m.PortEvent(t_ns, rng.choice(list(m.EventKind)), text, rng.getrandbits(70))
        for one, message in (
            (Chunk(t_ns, part), m.received(t_ns, part, b"")),
            (Chunk(t_ns, part, part[::-1]), m.received(t_ns, part, part[::-1])),
            (Chunk(t_ns, part), m.sent(t_ns, part)),
            (event, m.event(event)),
            ((text, text), m.failed(PortError(text, text))),
        ):
            sent.append(one)
            stream += message
    reader, at = m.MessageReader(), 0
    got: list[object] = []
    while at < len(stream):
        step = rng.randint(1, 200)
        whats = [what for _, what in reader.feed(stream[at : at + step])]
        got += [(what.port, what.problem) if isinstance(what, PortError) else what for what in whats]
        at += step
    _hold(got == sent, "what went in comes out")


TARGETS: dict[str, Target] = {
    "raw": Target("raw bytes", _reader("raw"), seeds.raw, seeds.mutate_frames),
    "pcapng": Target("pcapng with serial bytes", _reader("pcapng_read"), seeds.pcapng, seeds.mutate_blocks),
    "pcap": Target("pcap with serial bytes", _reader("pcapng_read"), seeds.pcap, seeds.mutate_plain),
    "usb": Target("pcapng of a USB host", _reader("usb"), seeds.usb, seeds.mutate_blocks),
    "byte-csv": Target("CSV of bytes", _reader("byte_csv"), seeds.byte_csv, seeds.mutate_text),
    "level-csv": Target("CSV of levels", _reader("level_csv"), seeds.level_csv, seeds.mutate_text),
    "volts-csv": Target("CSV of volts", _reader("volts_csv"), seeds.volts_csv, seeds.mutate_text),
    "session": Target("session of samples", _reader("sr_session"), seeds.session, seeds.mutate_plain),
    "vcd": Target("value change dump", _reader("vcd"), seeds.vcd, seeds.mutate_text),
    "edges": Target(
        "all signals of VCD and CSV, pulses", _edges, lambda: seeds.vcd() + seeds.level_csv(), seeds.mutate_text
    ),
    "any": Target("any file by its content, cut, with all figures", _any_file, seeds.all_files, seeds.mutate_any),
    "line": Target("edges to bytes", _line, seeds.line, seeds.mutate_plain),
    "frames": Target("bytes to frames, whole and in pieces", _frames, seeds.raw, seeds.mutate_frames),
    "probe": Target("what is on a line", _probe, seeds.raw, seeds.mutate_frames),
    "rig": Target("rig file", _rig, seeds.rig, seeds.mutate_text),
    "walk": Target("answers of a walk", _walk, seeds.walk, seeds.mutate_text),
    "program": Target("drive program", _program, seeds.program, seeds.mutate_text),
    "virtual": Target("settings of a virtual receiver", _virtual, seeds.virtual, seeds.mutate_text),
    "marked": Target("marks of a serial line", _marked, seeds.raw, seeds.mutate_frames),
    "messages": Target("messages of the child process", _messages, seeds.raw, seeds.mutate_plain),
}
