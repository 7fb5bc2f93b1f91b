"""Styles in which general-purpose instruments and tools export bytes, levels and volts, written by this project.

Source: common practice, no source: descriptions of exports of logic analysers, oscilloscopes, terminal programs and
spreadsheets in general words. VCD: IEEE 1364. What pyvcd, sigrok-cli and text2pcap write is in test_export_styles.py.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np

from busbench.model import I64, U8
from busbench.wire.codec import pack_frames
from busbench.wire.uart import encode_line

FRAMES = 12
START_NS = 2_000_000
BYTES: U8 = pack_frames((np.arange(FRAMES)[:, None] * 3 + 900).repeat(16, axis=1)).reshape(-1)
T_NS: I64 = (START_NS + np.arange(FRAMES)[:, None] * 14_000_000 + np.arange(25) * 120_000).reshape(
    -1
)  # start of each character
EDGES = encode_line(BYTES, T_NS)
ROWS = list(zip(T_NS.tolist(), BYTES.tolist(), strict=True))
CHANGES = [(0, EDGES.initial), *zip(EDGES.t_ns.tolist(), EDGES.level.tolist(), strict=True)]
STEP_NS = 10_000 // 5  # of samples: five a bit
_END_NS = int(EDGES.t_ns[-1]) + 200_000


def levels_of_samples() -> list[int]:
    """The level at each step."""
    at = np.searchsorted(EDGES.t_ns, np.arange(0, _END_NS, STEP_NS), "right")
    return [int(level) for level in (at & 1) ^ EDGES.initial]


def _text(lines: Iterable[str], end: str = "\n") -> bytes:
    return (end.join(lines) + end).encode()


def _bytes(head: str, row: Callable[[float, int, int], str], *, end: str = "\n", above: tuple[str, ...] = ()) -> bytes:
    """Rows of times in s, bytes and numbers."""
    return _text([*above, head, *(row(t / 1e9, byte, i) for i, (t, byte) in enumerate(ROWS))], end)


def _changes(head: str, row: Callable[[float, int], str], *, above: tuple[str, ...] = (), end: str = "\n") -> bytes:
    return _text([*above, head, *(row(t / 1e9, level) for t, level in CHANGES)], end)


def _samples(head: str, row: Callable[[int, int], str], *, above: tuple[str, ...] = ()) -> bytes:
    return _text([*above, head, *(row(i, level) for i, level in enumerate(levels_of_samples()))])


def _clock(t_s: float, digits: int = 9) -> str:
    return f"10:15:{t_s:0{digits + 3}.{digits}f}"


def _sign(byte: int) -> str:
    """A printable byte as its character, any other as an escape."""
    return chr(byte) if 33 <= byte < 127 and chr(byte) not in ",;\"'" else f"\\x{byte:02x}"


def _volts(level: int, i: int) -> float:
    return 3.3 * level + 0.04 * ((i * 7) % 5 - 2)


def _vcd(scale: str, step_ns: int, *, kind: str = "wire 1", put: Callable[[int], str] = "{}!".format) -> bytes:
    head = [f"$timescale {scale} $end", f"$var {kind} ! rx $end", "$enddefinitions $end"]
    return _text([*head, *(f"#{t // step_ns} {put(level)}" for t, level in CHANGES), f"#{_END_NS // step_ns}"])


STYLES: dict[str, bytes] = {
    # a byte in each row
    "seconds and 0x": _bytes("Time [s],Data", lambda t, b, i: f"{t:.9f},0x{b:02X}"),
    "seconds and hex digits": _bytes("time_s,byte", lambda t, b, i: f"{t:.9f},{b:02x}"),
    "seconds and decimal": _bytes("Time (s),Value (dec)", lambda t, b, i: f"{t:.9f},{b}"),
    "exponents": _bytes("Time (s),Value", lambda t, b, i: f"{t:.10e},0x{b:02X}"),
    "microseconds": _bytes("Start (us),Byte", lambda t, b, i: f"{t * 1e6:.1f},0x{b:02X}"),
    "milliseconds": _bytes("t [ms];hex", lambda t, b, i: f"{t * 1e3:.4f};{b:02X}"),
    "nanoseconds whole": _bytes("time_ns\tdata", lambda t, b, i: f"{t * 1e9:.0f}\t0x{b:02X}"),
    "decimal comma": _bytes("Zeit (s);Wert", lambda t, b, i: f"{t:.9f}".replace(".", ",") + f";0x{b:02X}"),
    "quoted cells": _bytes('"Time [s]","Data"', lambda t, b, i: f'"{t:.9f}","0x{b:02X}"'),
    "carriage returns": _bytes("Time [s],Data", lambda t, b, i: f"{t:.9f},0x{b:02X}", end="\r\n"),
    "index first": _bytes("index,time_s,data", lambda t, b, i: f"{i},{t:.9f},0x{b:02X}"),
    "type and length": _bytes(
        "name,type,start_time,duration,data,error",
        lambda t, b, i: f'"UART","data",{t:.9f},0.00012,0x{b:02X},',
    ),
    "error columns": _bytes(
        "Time [s],Value,Parity Error,Framing Error", lambda t, b, i: f"{t:.9f},0x{b:02X},false,false"
    ),
    "byte first": _bytes("Hex,Time [s]", lambda t, b, i: f"0x{b:02X},{t:.9f}"),
    "lines above": _bytes(
        "Time [s],Data", lambda t, b, i: f"{t:.9f},0x{b:02X}", above=("# exported", "# 100000 8E2", "")
    ),
    "UTF-16": _bytes("Time [s],Data", lambda t, b, i: f"{t:.9f},0x{b:02X}").decode().encode("utf-16"),
    "byte order mark": b"\xef\xbb\xbf" + _bytes("Time [s],Data", lambda t, b, i: f"{t:.9f},0x{b:02X}"),
    "0b": _bytes("Time [s],Binary", lambda t, b, i: f"{t:.9f},0b{b:08b}"),
    "hex with h": _bytes("Time [s],Data", lambda t, b, i: f"{t:.9f},{b:02X}h"),
    "printable as characters": _bytes("Time [s],Analyzer,Data", lambda t, b, i: f"{t:.9f},UART,{_sign(b)}"),
    "characters in quotes": _bytes("Time [s];Data", lambda t, b, i: f"{t:.9f};'{_sign(b)}'"),
    "characters with hex": _bytes("Time [s];Data", lambda t, b, i: f"{t:.9f};'{_sign(b)}' (0x{b:02X})"),
    "time of day": _bytes("Time,Data", lambda t, b, i: f"{_clock(t)},0x{b:02X}"),
    "time of day with comma": _bytes("Time;Data", lambda t, b, i: f"{_clock(t).replace('.', ',')};0x{b:02X}"),
    "ISO with zone": _bytes("Timestamp,Data", lambda t, b, i: f"2026-05-28T{_clock(t)}Z,0x{b:02X}"),
    "ISO with blank": _bytes("Timestamp\tData", lambda t, b, i: f"2026-05-28 {_clock(t)}\t{b:02X}"),
    # levels
    "changes": _changes("Time [s],Channel 0", lambda t, v: f"{t:.9f},{v}"),
    "changes of two": _changes("Time[s], rx, tx", lambda t, v: f"{t:.9f}, {v}, 1"),
    "changes in semicolons": _changes("Time;D0", lambda t, v: f"{t:.9f}".replace(".", ",") + f";{v}"),
    "High and Low": _changes("Time [s],rx", lambda t, v: f"{t:.9f},{('Low', 'High')[v]}"),
    "0b levels": _changes("Time [s],rx", lambda t, v: f"{t:.9f},0b{v}"),
    "levels at times of day": _changes("Time,rx", lambda t, v: f"{_clock(t)},{v}"),
    "samples with a rate": _samples("rx", lambda i, v: f"{v}", above=("; Samplerate: 500 kHz",)),
    "samples counted": _samples("Sample,rx", lambda i, v: f"{i},{v}", above=("Sample rate: 500000 Hz",)),
    # volts
    "volts": _samples("Time (s),CH1 (V)", lambda i, v: f"{i * STEP_NS / 1e9:.7f},{_volts(v, i):.3f}"),
    "volts below units": _samples(
        "second,Volt", lambda i, v: f"{i * STEP_NS / 1e9:+.6E},{_volts(v, i):+.4E}", above=("x-axis,1",)
    ),
    "volts behind a preamble": _samples(
        "TIME,CH1",
        lambda i, v: f"{i * STEP_NS / 1e9 - 1e-3:.7f},{_volts(v, i):.3f}",
        above=("Model,scope", "Record Length,10000", "Sample Interval,2.0E-6", "Vertical Units,V", ""),
    ),
    # dumps
    "VCD in ns": _vcd("1 ns", 1),
    "VCD in 100 ns": _vcd("100ns", 100),
    "VCD of a vector": _vcd("1 us", 1000, kind="wire 4", put=lambda level: f"b{level}11 !").replace(
        b" rx ", b" rx [3:0] "
    ),
    "VCD of real numbers": _vcd("1 us", 1000, kind="real 64", put=lambda level: f"r{3.3 * level} !"),
}
# Which signal is the line, where a style has none of its own.
SIGNALS = {"VCD of a vector": "rx[2]"}
