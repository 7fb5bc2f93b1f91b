"""Text exports put together by chance from all kinds of columns, words and notations, some of them damaged."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from busbench.wire.codec import pack_frames
from busbench.wire.uart import encode_line

Rng = np.random.Generator
Cell = Callable[[int, int, int], str]  # of the number of a row, its time in ns and its byte or level
CHARACTER_NS = 120_000

_TIMES: dict[str, tuple[str, Cell]] = {
    "seconds": ("Time [s]", lambda n, t, v: f"{t / 1e9:.9f}"),
    "few digits": ("time_s", lambda n, t, v: f"{t / 1e9:.5f}"),
    "milliseconds": ("start (ms)", lambda n, t, v: f"{t / 1e6:.4f}"),
    "microseconds": ("t_us", lambda n, t, v: f"{t / 1e3:.1f}"),
    "nanoseconds": ("stamp ns", lambda n, t, v: f"{t}"),
    "exponents": ("TIME", lambda n, t, v: f"{t / 1e9:.9e}"),
    "no unit": ("time", lambda n, t, v: f"{t // 1000}"),
    "no unit, ns": ("time", lambda n, t, v: f"{t}"),
    "no unit, ms": ("time", lambda n, t, v: f"{t / 1e6:.6f}"),
    "words": ("microseconds", lambda n, t, v: f"{t / 1e3:.3f}"),
    "signs": ("time [s]", lambda n, t, v: f"{(t - 1_000_000) / 1e9:+.9f}"),
    "time of day": ("clock", lambda n, t, v: f"23:59:{59 + t // 10**9:02d}.{t % 10**9:09d}"),
    "dates": ("Timestamp", lambda n, t, v: f"2026-05-28T10:15:{t // 10**9:02d}.{t % 10**9:09d}Z"),
    "dates and zones": ("when", lambda n, t, v: f"2026/05/28 10:15:{t // 10**9:02d},{t % 10**9:09d} +02:30"),
}
_BYTES: dict[str, tuple[str, Cell]] = {
    "0x": ("Data", lambda n, t, v: f"0x{v:02X}"),
    "hex digits": ("byte (hex)", lambda n, t, v: f"{v:02x}"),
    "bare": ("value", lambda n, t, v: f"{v:02X}"),
    "decimal": ("Value (dec)", lambda n, t, v: f"{v}"),
    "bare decimal": ("octet", lambda n, t, v: f"{v}"),
    "three digits": ("rx", lambda n, t, v: f"{v:03d}"),
    "0b": ("char", lambda n, t, v: f"0b{v:08b}"),
    "with h": ("Byte", lambda n, t, v: f"{v:02X}h"),
    "dollar": ("data", lambda n, t, v: f"${v:02X}"),
    "escapes": ("data", lambda n, t, v: f"\\x{v:02x}"),
    "no name": ("", lambda n, t, v: f"0x{v:02X}"),
}
_MORE: dict[str, tuple[str, Cell]] = {
    "index": ("index", lambda n, t, v: f"{n}"),
    "no": ("no", lambda n, t, v: f"{n + 1}"),
    "channel": ("channel", lambda n, t, v: "3"),
    "error": ("error", lambda n, t, v: "1" if n % 9 == 4 else "0"),
    "framing": ("Framing Error", lambda n, t, v: "Error" if n % 11 == 5 else ""),
    "parity": ("parity", lambda n, t, v: f"{bin(v).count('1') & 1}"),
    "truth": ("", lambda n, t, v: "true" if n % 8 == 1 else "false"),
    "duration": ("duration", lambda n, t, v: "0.00012"),
    "end": ("end [s]", lambda n, t, v: f"{(t + CHARACTER_NS) / 1e9:.6f}"),
    "type": ("type", lambda n, t, v: "data"),
    "empty": ("comment", lambda n, t, v: ""),
}
_ABOVE = ("# exported", "// bench", "% note", "", "Heron, left wing", "rows,150", "Samplerate: 1 MHz", "\ufeff")


def _pick(rng: Rng, some: dict[str, tuple[str, Cell]]) -> tuple[str, Cell]:
    return some[str(rng.choice(list(some)))]


def _damaged(rng: Rng, lines: list[str]) -> list[str]:
    """Some lines, with a row changed, lost, doubled or cut here and there."""
    for _ in range(int(rng.choice([0, 0, 1, 3]))):
        at = int(rng.integers(1, len(lines)))
        kind, line = int(rng.integers(0, 8)), lines[at]
        if kind == 0:
            lines.insert(at, str(rng.choice(["oops", "", "# gust", "1,2,3,4,5,6", "\x1b[2J"])))
        elif kind == 1:
            lines[at] = line[: int(rng.integers(0, len(line) + 1))]
        elif kind == 2:
            lines[at], lines[at - 1] = lines[at - 1], line
        elif kind == 3:
            lines.insert(at, line)
        elif kind == 4:
            where = int(rng.integers(0, len(line) + 1))
            lines[at] = line[:where] + str(rng.choice(list('x0,;. "-\t'))) + line[where:]
        elif kind == 5:
            del lines[at]
        elif kind == 6:
            lines[at] = line.replace("1", str(rng.choice(["9e99", "Z", "-1", "77777"])), 1)
        else:
            lines[at] = " " + line + " "
    return lines


def _joined(rng: Rng, columns: list[tuple[str, Cell]], rows: list[tuple[int, int]], above: list[str]) -> bytes:
    delimiter = str(rng.choice([",", ",", ";", "\t"]))
    comma, quotes, blanks = delimiter != "," and rng.random() < 0.5, rng.random() < 0.15, rng.random() < 0.2
    lines = []
    for number, (t_ns, value) in enumerate(rows):
        cells = [cell(number, t_ns, value) for _, cell in columns]
        cells = [cell.replace(".", ",") if comma else cell for cell in cells]
        cells = [f'"{cell}"' if quotes or delimiter in cell else cell for cell in cells]
        lines.append(f"{delimiter}{' ' if blanks else ''}".join(cells))
    if rng.random() < 0.9:
        lines.insert(0, delimiter.join(name for name, _ in columns))
    text = above + _damaged(rng, lines)
    end = str(rng.choice(["\n", "\n", "\n", "\r\n", "\r"]))
    return (end.join(text) + (end if rng.random() < 0.8 else "")).encode(str(rng.choice(["utf-8"] * 9 + ["utf-16"])))


def _lines_above(rng: Rng) -> list[str]:
    return [str(one) for one in rng.choice(_ABOVE, int(rng.choice([0, 0, 0, 1, 2])))]


def byte_csv(rng: Rng) -> bytes:
    """Rows with a byte each."""
    frames = pack_frames(900 + rng.integers(0, 9, (int(rng.choice([1, 4])), 16))).ravel().tolist()
    lead_ns = int(rng.choice([0, 2_000_000]))
    rows = [(lead_ns + n * CHARACTER_NS + n // 25 * 4_000_000, byte) for n, byte in enumerate(frames)]
    if rng.random() < 0.3:
        rows = rows[: int(rng.integers(1, len(rows)))]
    columns = [_pick(rng, _TIMES), _pick(rng, _BYTES)]
    columns += [_pick(rng, _MORE) for _ in range(int(rng.choice([0, 0, 1, 2])))]
    return _joined(rng, [columns[i] for i in rng.permutation(len(columns))], rows, _lines_above(rng))


def level_csv(rng: Rng) -> bytes:
    """Rows with a level or a voltage each, of changes or of samples."""
    edges = encode_line(pack_frames(900 + rng.integers(0, 9, (1, 16))).tobytes())
    high, low = [
        ("1", "0"),
        ("1", "0"),
        ("High", "Low"),
        ("true", "false"),
        ("0b1", "0b0"),
        ("3.31", "0.04"),
        ("5", "-5"),
    ][int(rng.integers(0, 7))]
    step_ns = int(rng.choice([2000, 2500, 4000]))
    is_sampled, is_upright = rng.random() < 0.4, int(rng.random() < 0.3)
    if is_sampled:
        times = np.arange(-500_000, int(rng.choice([1_000_000, 3_100_000])), step_ns)
        levels = (np.searchsorted(edges.t_ns, times, "right") & 1) ^ edges.initial
    else:
        times, levels = np.append(-500_000, edges.t_ns), np.append(edges.initial, edges.level)
    rows = list(zip((times + 500_000).tolist(), (levels ^ is_upright).tolist(), strict=True))
    level: tuple[str, Cell] = (str(rng.choice(["rx", "D0", "", "CH1 (V)", "1"])), lambda n, t, v: high if v else low)
    columns = [_pick(rng, _TIMES), level]
    above = _lines_above(rng)
    if is_sampled and rng.random() < 0.4:
        rate = str(rng.choice(["Sample rate: {} Hz", "samplerate = {}", "Sampling interval,{}s", "# freq {}"]))
        written = f"{1e9 / step_ns:.0f}" if "interval" not in rate else f"{step_ns / 1e9:.7f} "
        above.append(rate.format(written))
        columns[0] = str(rng.choice(["Sample", "ticks", "time"])), lambda n, t, v: f"{n}"
        if rng.random() < 0.3:
            del columns[0]
    if rng.random() < 0.4:
        columns.append(("clk", lambda n, t, v: f"{n & 1}"))
    if rng.random() < 0.2:
        columns.insert(1, ("idle", lambda n, t, v: low))
    return _joined(rng, columns, rows, above)


def vcd(rng: Rng) -> bytes:
    """A value change dump of one to three variables."""
    edges = encode_line(pack_frames(900 + rng.integers(0, 9, (2, 16))).tobytes())
    scale, step_ns = [
        ("1 ns", 1),
        ("10ns", 10),
        ("100 ns", 100),
        ("1us", 1000),
        ("1 ps", 0.001),
        ("2 us", 2000),
        ("7 ps", 0.007),
    ][int(rng.integers(0, 7))]
    kind = int(rng.integers(0, 4))
    declared = ("wire 1 ! rx", "wire 4 ! rx [3:0]", "reg 3 ! rx[0:2]", "real 64 ! rx")[kind]
    puts: list[Callable[[int], str]] = ["{}!".format, "b{}x1 !".format, "b{:b} !".format, lambda v: f"r{3.3 * v:.2f} !"]
    put = puts[kind]
    others = int(rng.choice([0, 0, 1, 9]))
    head = [f"$timescale {scale} $end", "$scope module bench $end", f"$var {declared} $end"]
    head += [f"$var wire 1 {chr(35 + i)} other{i} $end" for i in range(others)]
    if rng.random() < 0.3:
        head += ["$scope module inner $end", "$var string 1 ~ words $end", "$var wire 1 }} far $end", "$upscope $end"]
    head += ["$upscope $end", "$enddefinitions $end"]
    if rng.random() < 0.3:
        head.insert(
            0, str(rng.choice(["$date today $end", "$comment of $end", "made by hand", "\ufeff$version 1 $end"]))
        )
    body = [f"#{round(-500_000 / step_ns) if rng.random() < 0.3 else 0}"]
    first = [put(edges.initial), *(f"{int(rng.integers(0, 2))}{chr(35 + i)}" for i in range(others))]
    body += ["$dumpvars", *first, "$end"] if rng.random() < 0.6 else first
    for number, (t_ns, level) in enumerate(zip(edges.t_ns.tolist(), edges.level.tolist(), strict=True)):
        body += [f"#{round((t_ns + 500_000) / step_ns)}", put(level)]
        if others and number % 3 == 0:
            body.append(f"{number // 3 & 1}{chr(35 + number % others)}")
    body.append(f"#{round(int(rng.choice([7_000_000, 7_000_000, 3_500_000])) / step_ns)}")
    for _ in range(int(rng.choice([0, 0, 1, 3]))):
        odd = [
            "x!",
            "zz",
            "b1 $",
            "#12",
            "$comment wind $end",
            "q!",
            "#1x",
            "1~",
            "r1e400 !",
            "bx !",
            "$dumpoff $end",
            "#-3",
            "-",
        ]
        body.insert(int(rng.integers(1, len(body))), str(rng.choice(odd)))
    text = str(rng.choice(["\n", "\n", " ", "\r\n"])).join(head + body) + str(rng.choice(["\n", "\n", ""]))
    return text.encode()[: int(rng.integers(200, 9000)) if rng.random() < 0.2 else None]
