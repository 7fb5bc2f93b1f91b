"""Time and memory on 5 MB of the worst content for each reader: at most 1 s a MB and 10 times the input plus 100 MB.

    python tools/fuzz_sizes.py [BEGINNING OF A NAME ...]

Wide of the limits is marked SLOW or MUCH; the exit code is 1 then.
"""

from __future__ import annotations

import argparse
import itertools
import random
import struct
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import fuzz_seeds as fs
from fuzz_targets import TARGETS

from busbench.errors import BusbenchError

MB = 1 << 20
SIZE = 5 * MB
_SECTION = fs._section()
_INTERFACE = fs.block(1, struct.pack("<HHI", 147, 0, 0))
_HEAD = _SECTION + _INTERFACE
_OTHER_ORDER = b"".join(
    (fs._section(">"), fs.block(1, struct.pack(">HHI", 147, 0, 0), ">"), fs._packet(5, b"\x0f", order=">"))
)
_USB = _SECTION + fs.block(1, struct.pack("<HHI", 220, 0, 0))
_COMMENT = fs._option(1, b"x")
_FRAMES = fs.frame(1) * 4  # by which raw bytes are known
_VCD = b"$timescale 1 us $end $var wire 1 ! rx $end $enddefinitions $end\n"


def fill(unit: bytes, head: bytes = b"") -> bytes:
    """A head, then one unit again and again."""
    return (head + unit * (SIZE // len(unit) + 1))[:SIZE]


def count(row: Callable[[int], bytes], head: bytes = b"") -> bytes:
    """A head, then numbered rows."""
    parts, size = [head], len(head)
    for number in itertools.count():
        parts.append(row(number))
        size += len(parts[-1])
        if size >= SIZE:
            return b"".join(parts)
    raise AssertionError


def packet(data: bytes, options: bytes = b"") -> bytes:
    return fs._packet(5, data, options)


def transfer(number: int, data: bytes) -> bytes:
    """A transfer of an endpoint of its own for each of many numbers."""
    head = struct.pack("<QcBBBHBB", number, b"C", 3, 0x80 | number & 15, number >> 4 & 255, number >> 12, 45, 0)
    return packet(head + struct.pack("<qiiII", 1, 0, 0, len(data), len(data)) + bytes(24) + data)


def signals(total: int) -> bytes:
    declared = b"".join(b"$var wire 1 n%d s%d $end\n" % (n, n) for n in range(total))
    return b"$timescale 1 us $end " + declared + b"$enddefinitions $end\n"


CASES: dict[str, Callable[[], bytes]] = {
    "raw-zeros": lambda: fill(bytes(1000), _FRAMES),
    "raw-headers": lambda: fill(b"\x0f" * 99, _FRAMES),
    "raw-alternating": lambda: fill(b"\x0f\0", _FRAMES),
    "raw-headers-in-frames": lambda: fill(b"\x0f" * 23 + b"\0\0", _FRAMES),
    "raw-two-values": lambda: _FRAMES + bytes(random.Random(1).choices(b"\x0f\0", k=SIZE)),
    "raw-few-values": lambda: _FRAMES + bytes(random.Random(1).choices(b"\x0f\0\0 ", k=SIZE)),
    "raw-noise": lambda: _FRAMES + random.Random(1).randbytes(SIZE),
    "raw-frames": lambda: fill(fs.frame(1)),
    "pcapng-unknown": lambda: fill(fs.block(5, b""), _HEAD),
    "pcapng-one-byte": lambda: fill(packet(b"\x0f"), _HEAD),
    "pcapng-uneven": lambda: fill(packet(b"\x0f") + packet(b"\x0f123456"), _HEAD),
    "pcapng-sections": lambda: fill(_SECTION),
    "pcapng-sections-of-one": lambda: fill(_HEAD + packet(b"\x0f")),
    "pcapng-two-byte-orders": lambda: fill(_HEAD + packet(b"\x0f") + _OTHER_ORDER),
    "pcapng-flag-each": lambda: fill(packet(b"\x0f", fs._option(2, struct.pack("<I", 1)) + bytes(4)), _HEAD),
    "pcapng-old-packets": lambda: fill(fs.block(2, struct.pack("<HHIIII", 0, 0, 0, 0, 1, 1) + b"\x0f"), _HEAD),
    "pcapng-mixed": lambda: fill(packet(b"\x0f") + fs.block(5, b"") + _INTERFACE + packet(b"\x0f123456"), _HEAD),
    "pcapng-interfaces": lambda: fill(_INTERFACE, _SECTION),
    "pcapng-interfaces-of-one": lambda: fill(_INTERFACE + packet(b"\x0f"), _SECTION),
    "pcapng-simple": lambda: fill(fs.block(3, struct.pack("<I", 1) + b"\x0f"), _HEAD),
    "pcapng-comments": lambda: fill(packet(b"\x0f", _COMMENT * 2000 + bytes(4)), _HEAD),
    "pcapng-comment-each": lambda: fill(packet(b"\x0f", _COMMENT + bytes(4)), _HEAD),
    "pcapng-marks": lambda: fill(packet(b"\x0f" * 20, fs._option(1, b"bad=" + b"0-19," * 9999 + b"1")), _HEAD),
    "pcapng-stray": lambda: fill(fs.block(6, struct.pack("<IIIII", 9, 0, 0, 1, 1) + b"\x0f"), _HEAD),
    "pcapng-one-block": lambda: _HEAD + packet(b"\x0f" * (SIZE - 200)),
    "pcapng-seeming": lambda: fill(packet(struct.pack("<II", 6, 32) * 3), _HEAD),
    "usb-one-byte": lambda: fill(transfer(16, b"\x01\x60\x0f"), _USB),
    "usb-endpoints": lambda: count(lambda n: transfer(n, b"\x0f"), _USB),
    "csv-one-line": lambda: fill(b"9", b"time,byte\n0.1,0x0F\n0.2,0x0F\n"),
    "csv-columns": lambda: fill(b"1,", b"time,byte\n"),
    "csv-wide-rows": lambda: fill(b"0.1,0x0F" + b",1" * 30_000 + b"\n", b"time,byte\n"),
    "csv-bytes": lambda: count(lambda n: b"%d,0x0F\n" % n, b"time,byte\n"),
    "csv-damaged": lambda: count(lambda n: b"%d,0x0F\nx,y\n" % n, b"time,byte\n"),
    "csv-line-ends": lambda: fill(b"\n", b"time,byte\n0.1,0x0F\n0.2,0x0F\n"),
    "csv-quotes": lambda: fill(b'"', b"time,byte\n0.1,0x0F\n"),
    "levels": lambda: count(lambda n: b"%d,%d\n" % (n * 10, n & 1), b"time us,rx\n"),
    "levels-half-damaged": lambda: count(lambda n: b"%d,%d\nx,1\n" % (n, n & 1), b"time,rx\n"),
    "levels-wide": lambda: count(lambda n: b"%d" % n + b",%d" % (n & 1) * 30_000 + b"\n"),
    "vcd-changes": lambda: count(lambda n: b"#%d\n%d!\n" % (n * 10, n & 1), _VCD),
    "vcd-without-times": lambda: fill(b"1!\n0!\n", _VCD),
    "vcd-vectors": lambda: fill(b"1!\nb1 !\n", _VCD),
    "vcd-comments": lambda: fill(b"$comment $comment ", _VCD),
    "vcd-declarations": lambda: fill(b"$var wire 1 ! rx $end\n"),
    "vcd-signals": lambda: signals(60_000) + b"".join(b"#%d\n%dn%d\n" % (n, n & 1, n % 60_000) for n in range(180_000)),
    "vcd-scopes": lambda: b"$scope module a $end $var wire 1 ! x $end " * 90_000 + b"$enddefinitions $end\n#0\n1!\n",
    "vcd-one-word": lambda: fill(b"1", _VCD),
    "text": lambda: fill(b"hello world\n"),
}  # fmt: skip


def measure(name: str, data: bytes, path: str) -> tuple[float, int, str]:
    """Processor time in s, memory peak in bytes, and what was said."""
    said, took, peak = "", 0.0, 0
    for is_traced in (False, True):
        if is_traced:
            tracemalloc.start()
        begun = time.process_time()
        try:
            for target in ("any", "edges") if name.startswith(("levels", "vcd")) else ("any",):
                TARGETS[target].run(data, path)
        except BusbenchError as error:
            said = str(error).removeprefix(path)[:70]
        if is_traced:
            peak = tracemalloc.get_traced_memory()[1]
            tracemalloc.stop()
        else:
            took = time.process_time() - begun
    return took, peak, said


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("names", nargs="*", metavar="NAME", help="beginning of a case's name; all without one")
    wanted = tuple(parser.parse_args().names)
    wide = 0
    with tempfile.TemporaryDirectory() as folder:
        for name, make in CASES.items():
            if wanted and not name.startswith(wanted):
                continue
            data = make()
            took, peak, said = measure(name, data, str(Path(folder) / "input"))
            passes = 2 if name.startswith(("levels", "vcd")) else 1
            marks = "SLOW " * (took > passes * len(data) / MB) + "MUCH " * (peak > 10 * len(data) + 100 * MB)
            wide += bool(marks)
            print(f"{name:26}{len(data) / MB:5.1f} MB{took:7.2f} s{peak / MB:6.0f} MB  {marks}{said}", flush=True)
    return int(wide > 0)


if __name__ == "__main__":
    sys.exit(main())
