"""Inputs to start fuzzing from, and mutations that know the structure of a format."""

from __future__ import annotations

import io
import json
import random
import re
import struct
import zipfile
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from busbench.line import Chunk
    from busbench.model import ByteLog, Clock

Inner = Callable[[bytes], bytes]
_CAPTURES = Path(__file__).resolve().parent.parent / "captures"
_NUMBER = re.compile(rb"[-+]?\d[0-9A-Fa-fx.]*(?:e[-+]?\d+)?")
_NUMBERS = (
    b"0", b"-0", b"1", b"-1", b"255", b"256", b"1e400", b"-1e400", b"1e-400", b"nan", b"inf", b"-inf", b"1e18", b"1e19",
    b"9223372036854775807", b"9223372036854775808", b"-9223372036854775809", b"18446744073709551616", b"1e308",
    b"0.1e-300", b"0x", b"0xFFFFFFFFFFFFFFFFFF", b"1_000", b"1.", b".5", b"1,5", b"\xd9\xa1", b"9" * 25, b"9" * 5000,
    b"0x" + b"F" * 5000, b"true", b"null", b"1e5", b"0.000000000000000000001", b"65536", b"4294967296", b"2147483648",
)  # fmt: skip
_TEXTS = (
    b"\0", b"\xef\xbb\xbf", b"\xff\xfe", b"\xed\xa0\x80", b"\xff", b"\x1b[31m", b"\x1b]8;;x\x07", b"\x1b]52;c;eA==\x07",
    b"\x9b31m", b"\xc2\x9b31m", b"\xe2\x80\xae", b"\xe2\x80\xa8", b"[bold]", b"<script>", b"\r", b"\n", b"\r\n", b'"',
    b"'", b"\\", b"\\u0000", b"\\ud800", b"#", b"[", b"]", b"[[", b"{", b"}", b"[" * 2000, b"{'a':" * 500, b"a." * 500,
    b"$end", b"$comment ", b"$scope module x $end ", b"$var wire 1 ! a $end ", b"b1010 !", b"#", b"x!", b",", b";",
    b"\t", b",," * 300, b" " * 300, b"x" * 4000, b"\x0b", b"\x85", b"\xe3\x80\x80", b"=", b"&", b"%00", b"%", b":",
)  # fmt: skip


def frame(seed: int = 0, flags: int = 0, end: int = 0) -> bytes:
    """A servo frame."""
    return b"\x0f" + random.Random(seed).randbytes(22) + bytes([flags, end])


def raw() -> list[bytes]:
    noisy = (_CAPTURES / "heron-noisy.raw").read_bytes()
    slots = b"".join(frame(1, 0, end) + b"\x03ab" for end in (4, 0x14, 0x24, 0x34)) * 4
    return [noisy[:1500], noisy[20_000:21_000], slots, frame() * 8, frame(2, 12) * 3, b"\x0f" * 200, bytes(60)]


def _cut(name: str, size: int) -> bytes:
    """Whole blocks from the beginning of a shipped recording."""
    data, at = (_CAPTURES / name).read_bytes()[: 4 * size], 0
    while at + 8 <= size:
        at += struct.unpack_from("<I", data, at + 4)[0]
    return data[:at]


def block(kind: int, body: bytes, order: str = "<") -> bytes:
    """A pcapng block, padded, its lengths right."""
    body += bytes(-len(body) % 4)
    size = struct.pack(order + "I", 12 + len(body))
    return struct.pack(order + "I", kind) + size + body + size


def _section(order: str = "<") -> bytes:
    return block(0x0A0D0D0A, struct.pack(order + "IHHq", 0x1A2B3C4D, 1, 0, -1), order)


def _packet(t: int, data: bytes, options: bytes = b"", order: str = "<") -> bytes:
    head = struct.pack(order + "IIIII", 0, t >> 32, t & 0xFFFFFFFF, len(data), len(data))
    return block(6, head + data + bytes(-len(data) % 4) + options, order)


def _option(code: int, value: bytes, order: str = "<") -> bytes:
    return struct.pack(order + "HH", code, len(value)) + value + bytes(-len(value) % 4)


def pcapng() -> list[bytes]:
    own = [_cut("heron-tty.pcapng", 1200), _cut("heron-bench.pcapng", 900), _cut("heron-round.pcapng", 2500)]
    made = []
    for order in "<>":
        names = _option(2, b"tty", order) + _option(9, b"\x09", order) + _option(14, bytes(8), order) + bytes(4)
        head = _section(order) + block(1, struct.pack(order + "HHI", 147, 0, 0) + names, order)
        comments = (
            _option(1, b"bad=3,7-9", order) + _option(1, b"mark=on", order) + _option(2, bytes(4), order) + bytes(4)
        )
        body = b"".join(_packet(10**9 * n, frame(n), comments if n % 2 else b"", order) for n in range(5))
        rare = block(3, struct.pack(order + "I", 25) + frame(), order)
        rare += block(2, struct.pack(order + "HHIIII", 0, 0, 0, 9, 25, 25) + frame(), order)
        made.append(head + body + rare + block(5, bytes(12), order) + head + body)
    return own + made


def usb() -> list[bytes]:
    """Captures of a USB host on either system, of an FTDI chip and of a plain one."""
    made = []
    for status in (b"\x01\x60", b""):
        linux = _section() + block(1, struct.pack("<HHI", 220, 0, 0))
        windows = _section() + block(1, struct.pack("<HHI", 249, 0, 0))
        setup = struct.pack("<BBHBBBBHHHBBBB", 18, 1, 0x0200, 0, 0, 0, 64, 0x0403, 0x6001, 0x0600, 1, 2, 3, 1)
        for n, data in enumerate([setup, *(status + frame(n) for n in range(6))]):
            kind, where = (2, 0x80) if n == 0 and status else (3, 0x81)
            head = struct.pack("<QcBBBHBB", n, b"C", kind, where, 7, 1, ord("-"), 0)
            head += struct.pack("<qiiII", 1, n, 0, len(data), len(data)) + bytes(24)
            linux += _packet(n * 15_000, head + data)
            size = 28 if kind == 2 else 27
            head = struct.pack("<HQIHBHHBBI", size, n, 0, 9, 1, 1, 7, where, kind, len(data)) + bytes(size - 27)
            windows += _packet(n * 15_000, head + data)
        made += [linux, windows]
    return made


def byte_csv() -> list[bytes]:
    shipped = (_CAPTURES / "heron-slots.csv").read_bytes()[:1500]
    rows = [f"{n * 120e-6:.6f};{byte:02X};{'err' if n == 9 else ''}\n" for n, byte in enumerate(frame() * 2)]
    plain = [f"{n * 120}\t{byte}\n" for n, byte in enumerate(frame(3) * 2)]
    return [shipped, "\ufefftime [s];data (hex);error\n".encode() + "".join(rows).encode(), "".join(plain).encode()]


def _levels() -> tuple[list[int], list[int]]:
    from busbench.wire.uart import encode_line

    edges = encode_line(frame(4) + frame(5))
    return edges.t_ns.tolist(), edges.level.tolist()


def level_csv() -> list[bytes]:
    times, levels = _levels()
    one = "".join(f"{t / 1e9:.9f},{level}\n" for t, level in zip(times, levels, strict=True))
    two = "".join(f"{t / 1e3:.3f};{level};{n % 2}\n" for n, (t, level) in enumerate(zip(times, levels, strict=True)))
    return [b"time_s,line\n0,0\n" + one.encode()[:3000], b"time us;a b;c\n" + two.encode()[:3000]]


def pcap() -> list[bytes]:
    made = []
    for order, magic, link in (("<", 0xA1B2C3D4, 147), (">", 0xA1B23C4D, 150)):
        rows = b"".join(struct.pack(order + "IIII", n, 7 * n, 25, 25 + n % 2) + frame(n) for n in range(12))
        made.append(struct.pack(order + "IHHiIII", magic, 2, 4, 0, 0, 65_535, link) + rows)
    return made


def volts_csv() -> list[bytes]:
    times, levels = _levels()
    rows = "".join(f"{t / 1e9:.9f},{3.3 * level + 0.01:.2f}\n" for t, level in zip(times, levels, strict=True))
    return [b"Points,40\nSample Interval,1e-6\nTIME,CH1\n(s),(V)\n0,0.02\n" + rows.encode()[:3000]]


def session() -> list[bytes]:
    times, levels = _levels()
    spans = zip(levels, np.diff(times).tolist(), strict=False)
    samples = bytes(200) + b"".join(bytes([level]) * (span // 1000) for level, span in spans) + bytes(200)
    meta = "[device 1]\ncapturefile=logic-1\nsamplerate=1 MHz\nprobe1=bus\nprobe3=two\nunitsize=1\n"
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in (
            ("version", b"2"),
            ("metadata", meta.encode()),
            ("logic-1-1", samples),
            ("logic-1-2", b"\1"),
        ):
            archive.writestr(zipfile.ZipInfo(name), data)
    return [out.getvalue()]


def vcd() -> list[bytes]:
    times, levels = _levels()
    head = (
        "$timescale 1 ns $end $scope module m $end $var wire 1 ! bus $end $var wire 1 # two $end $var reg 8 % wide $end"
    )
    body = "".join(f"#{t}\n{level}!\n" for t, level in zip(times, levels, strict=True))
    odd = "#0 $dumpvars 0! x# b1010 % $end $comment hello $end r1.5 % z! #10 b1 ! 1#\n"
    shipped = [(_CAPTURES / name).read_bytes()[:2500] for name in ("heron-line.vcd", "heron-outputs.vcd")]
    return [*shipped, f"{head} $upscope $end $enddefinitions $end\n{odd}{body}".encode()[:4000]]


def rig() -> list[bytes]:
    from busbench.rig.template import STARTER

    return [(_CAPTURES / "heron.toml").read_bytes(), STARTER.encode()]


def program() -> list[bytes]:
    part = '[[part]]\nchannel = [1, 17]\nshape = "square"\nperiod = 0.5\n[[part]]\nchannel = 2\nshape = "replay"\n'
    more = 'recording = "x"\n[[part]]\nchannel = 4\nshape = "wander"\nseed = 3\nperiod = 1\n[limits]\nrate = 50\n'
    top = 'name = "x"\nend_byte = "slots"\nrepeat = 2\nunit = "us"\nframe_period = 0.014\n[scale]\ncentre_us = 1520\n'
    fault = (
        '[[fault]]\nkind = "flips"\nstart = 0.1\nduration = 0.2\nflips = 0.1\n[[channel]]\nnumber = 3\nlocked = true\n'
    )
    return [(_CAPTURES / "heron-sweeps.toml").read_bytes(), (part + more).encode(), (top + fault + part).encode()]


def walk() -> list[bytes]:
    device = {
        "name": "rudder",
        "channel": 4,
        "members": ["rudder"],
        "first": "left",
        "then": "right",
        "remark": "",
        "is_high_first": True,
        "low_counts": 172,
        "neutral_counts": 992,
        "high_counts": 1811,
        "note": "n",
        "state": "done",
        "moves": [{"t_utc": "2026", "duration_s": 1.5, "ended": "ran", "reason": "", "seen": ["x"]}],
        "answers": {"right_surface": True, "right_way": False, "full_throw": None, "smooth": True},
    }
    head = {"version": 1, "rig": "Heron", "port": "p", "is_rehearsal": False, "start_utc": "2026-05-02T10:00:00Z"}
    return [json.dumps(head | {"devices": [device], "not_walked": [{"name": "m", "why": "w"}]}).encode()]


def virtual() -> list[bytes]:
    return [
        b"?period=14ms&seed=3&slots=on&speed=max", b"?lost=2:0.5,3:1&flips=0.1%25&baud=115200&pilot=moving",
        b"?duration=60s&join=5ms&batch=16ms&dither=5%&gap-rate=1&inverted=on&frames=off&chatter=200",
    ]  # fmt: skip


def line() -> list[bytes]:
    steps = np.diff(np.array(_levels()[0]), prepend=0) // 10
    return [steps.clip(1, 65_535).astype("<u2").tobytes(), bytes(range(256))]


def all_files() -> list[bytes]:
    return [*raw(), *pcapng(), *usb(), *byte_csv(), *level_csv(), *vcd(), *pcap(), *volts_csv(), *session()]


def timed_log(data: bytes) -> tuple[ByteLog, Clock]:
    """Some bytes with a clock, reads, pauses and marks that follow from the bytes themselves."""
    from busbench.model import NO_CLOCK, ByteLog, Clock, ClockKind

    rng = random.Random(zlib.crc32(data) ^ 1)
    kind = rng.choice(list(ClockKind))
    values = np.frombuffer(data, np.uint8)
    if kind is ClockKind.NONE or not values.size:
        return ByteLog.from_bytes(data), NO_CLOCK
    numbers = np.random.default_rng(rng.getrandbits(32))
    ends = np.arange(1, values.size + 1)
    if kind is ClockKind.PER_READ:
        ends = np.unique(np.append(numbers.integers(1, values.size + 1, 1 + values.size // 20), values.size))
    pause = rng.choice((0, 1000, 500_000, 10**7, 10**12, 1 << 55))
    steps = np.diff(ends, prepend=0) * 120_000 + numbers.integers(0, pause + 1, ends.size) * (
        numbers.random(ends.size) < 0.1
    )
    if rng.random() < 0.2:
        steps *= numbers.choice(np.array([1, 1, 1, -1, 0]), ends.size)
    start = rng.choice((0, 0, 1_780_000_000 * 10**9, -(10**15)))
    with np.errstate(over="ignore"):
        times = start + np.cumsum(steps.astype(np.int64))
    bad = (numbers.random(values.size) < 0.02).astype(np.uint8) if rng.random() < 0.5 else None
    if bad is not None and rng.random() < 0.5:  # an adapter that marks whole reads
        bad = np.logical_or.reduceat(bad, np.append(0, ends[:-1])).astype(np.uint8).repeat(np.diff(ends, prepend=0))
    return ByteLog(0, values, ends.astype(np.int64), times, bad), Clock(kind, rng.choice((1, 1000, 10**6)))


def chunks_of(log: ByteLog) -> list[Chunk]:
    """The reads of a log, or all of it as one."""
    from busbench.line import Chunk

    ends, chunks, start = log.mark_end.tolist() or [len(log)], [], 0
    for end, t_ns in zip(ends, log.mark_t_ns.tolist() or [0], strict=True):
        bad = b"" if log.bad is None else log.bad[start:end].tobytes()
        chunks.append(Chunk(t_ns, log.data[start:end].tobytes(), bad))
        start = end
    return chunks


def plain_inner(rng: random.Random) -> Inner:
    """Small changes of bytes, without guidance."""

    def change(data: bytes) -> bytes:
        some = bytearray(data)
        for _ in range(rng.choice((1, 1, 2, 4))):
            at = rng.randint(0, len(some))
            match rng.randrange(4):
                case 0 if at < len(some):
                    some[at] ^= 1 << rng.randrange(8)
                case 1 if at < len(some):
                    some[at] = rng.choice((0, 0xFF, 0x0F, rng.randrange(256)))
                case 2:
                    some[at:at] = rng.randbytes(rng.randint(1, 8))
                case _:
                    del some[at : at + rng.randint(1, 16)]
        return bytes(some)

    return change


def mutate_plain(data: bytes, _: random.Random, inner: Inner) -> bytes:
    """Bytes without a layout."""
    return inner(data)


def mutate_frames(data: bytes, rng: random.Random, inner: Inner) -> bytes:
    """Frames put in, taken out, doubled, broken."""
    at = rng.randint(0, len(data))
    match rng.randrange(6):
        case 0:
            return data[:at] + frame(rng.randrange(4), rng.choice((0, 4, 12, 3)), rng.choice((0, 4, 0x14))) + data[at:]
        case 1:
            return data[:at] + data[at + rng.randint(1, 60) :]
        case 2:
            return data[:at] + data[at : at + 25 * rng.randint(1, 9)] * 2 + data[at:]
        case 3:
            return data[:at] + rng.choice((b"\x0f", b"\x03ab", b"\xff", b"\xff\0", bytes(30), b"\x0f" * 30)) + data[at:]
        case _:
            return inner(data)


def mutate_text(data: bytes, rng: random.Random, inner: Inner) -> bytes:
    """Replace numbers and words by odd ones; move, double or leave out lines."""
    at = rng.randint(0, len(data))
    match rng.randrange(9):
        case 0 | 1 if found := _NUMBER.search(data, at):
            return data[: found.start()] + rng.choice(_NUMBERS) + data[found.end() :]
        case 2:
            return data[:at] + rng.choice(_TEXTS) + data[at + rng.choice((0, 0, 1, 9)) :]
        case 3 | 4:
            newline = b"\n" if b"\n" in data else rng.choice((b" ", b",", b"&"))
            lines = data.split(newline)
            one = rng.randrange(len(lines))
            some = lines[one : one + rng.randint(1, 4)]
            there = rng.randrange(len(lines) + 1)
            return newline.join(lines[:there] + some * rng.choice((1, 1, 2, 30)) + lines[there + rng.randint(0, 3) :])
        case 5:
            old, new = rng.sample((b",", b";", b"\t", b"\n", b"\r\n", b"\r", b" ", b".", b"=", b'"'), 2)
            return data.replace(old, new, rng.choice((-1, 1, 3)))
        case 6:
            return data[:at]
        case _:
            return inner(data)


def mutate_blocks(data: bytes, rng: random.Random, inner: Inner) -> bytes:
    """Blocks of pcapng, usually with corrected lengths."""
    if rng.random() < 0.15:
        return inner(data)
    order = ">" if data[8:12] == b"\x1a\x2b\x3c\x4d" else "<"
    blocks, at = [], 0
    while at + 12 <= len(data) and 12 <= (size := struct.unpack_from(order + "I", data, at + 4)[0]) <= len(data) - at:
        blocks.append((struct.unpack_from(order + "I", data, at)[0], data[at + 8 : at + size - 4]))
        at += size
    if not blocks:
        return inner(data)
    one = rng.randrange(len(blocks))
    kind, body = blocks[one]
    match rng.randrange(8):
        case 0:
            blocks[one : one + 1] = [blocks[one]] * rng.choice((0, 2, 40))
        case 1:
            blocks.insert(rng.randint(0, len(blocks)), blocks[one])
        case 2:
            blocks[one] = (rng.choice((1, 2, 3, 4, 5, 6, 0x0A0D0D0A, 0xBAD, rng.getrandbits(32))), body)
        case 3 | 4 if kind == 6 and len(body) >= 20:
            blocks[one] = (kind, _with_data(body, inner(body[20 : 20 + _captured(body, order)]), order))
        case 5 if kind in (1, 6):
            value = rng.choice(
                (*_TEXTS, b"bad=0-999999999", b"bad=1," * 50, b"mark=", rng.randbytes(8), rng.randbytes(1))
            )
            option = _option(rng.choice((1, 2, 3, 9, 14)), value[:4000], order)
            blocks[one] = (kind, body[: 8 if kind == 1 else 20 + (_captured(body, order) + 3 & ~3)] + option + bytes(4))
        case _:
            blocks[one] = (kind, inner(body))
    return b"".join(block(kind, body, order) for kind, body in blocks) + data[at : at + rng.choice((0, 0, 400))]


def _captured(body: bytes, order: str) -> int:
    return int(struct.unpack_from(order + "I", body, 12)[0]) if len(body) >= 20 else 0


def _with_data(body: bytes, data: bytes, order: str) -> bytes:
    options = body[20 + (_captured(body, order) + 3 & ~3) :]
    return body[:12] + struct.pack(order + "II", len(data), len(data)) + data + bytes(-len(data) % 4) + options


def mutate_any(data: bytes, rng: random.Random, inner: Inner) -> bytes:
    """The mutation that suits the kind of file."""
    if data.startswith(b"\x0a\x0d\x0d\x0a"):
        return mutate_blocks(data, rng, inner)
    return (mutate_text if b"\n" in data[:300] else mutate_frames)(data, rng, inner)
