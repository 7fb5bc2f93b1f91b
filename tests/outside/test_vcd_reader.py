"""Value change dumps against the pyvcd library, which reads and writes IEEE 1364 dumps by itself."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import pytest
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize

from busbench.capture import vcd
from busbench.capture.base import ReadOptions
from busbench.capture.edges import read_edges
from busbench.wire.uart import encode_line

DATA = np.random.default_rng(9).integers(0, 256, 500, dtype=np.uint8)
T_NS = 1_000_000 + np.arange(500) // 25 * 14_000_000 + np.arange(500) % 25 * 120_000


def test_it_reads_what_we_write() -> None:
    edges = encode_line(DATA, T_NS)
    file = io.BytesIO()
    writer = vcd.VcdWriter(file, signal="rx", timescale_ns=10)
    writer.write(edges)
    writer.close()
    file.seek(0)
    now, name, unit, seen = 0, "", "", []
    for token in tokenize(file):
        if token.kind is TokenKind.TIMESCALE:
            unit = f"{int(token.timescale.magnitude)} {token.timescale.unit.value}"
        elif token.kind is TokenKind.VAR:
            name = f"{token.var.reference}, {token.var.size} bit"
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            seen.append((now * 10, int(token.scalar_change.value)))
    assert (unit, name) == ("10 ns", "rx, 1 bit")
    assert seen == [(edges.start_ns, 0), *zip(edges.t_ns.tolist(), edges.level.tolist(), strict=True)]
    assert now * 10 == edges.end_ns


@pytest.mark.parametrize(("scale", "step_ns"), [("1 ns", 1), ("100 ns", 100), ("1 us", 1000)])
def test_we_read_what_it_writes(tmp_path: Path, scale: str, step_ns: int) -> None:
    edges = encode_line(DATA, T_NS)
    path = tmp_path / "theirs.vcd"
    with path.open("w") as file, VCDWriter(file, timescale=scale, date="today") as writer:
        bus = writer.register_var("board.port", "rx", "wire", size=1, init=0)
        clock = writer.register_var("board", "clk", "reg", size=1)
        other = writer.register_var("board", "count", "integer", size=32)
        volts = writer.register_var("board", "volts", "real")
        for i, (t, level) in enumerate(zip(edges.t_ns.tolist(), edges.level.tolist(), strict=True)):
            writer.change(clock, t // step_ns, i & 1)
            writer.change(bus, t // step_ns, level)
            if i % 50 == 0:
                writer.change(other, t // step_ns, i)
                writer.change(volts, t // step_ns, i / 7)
    with vcd.open_file(str(path), ReadOptions(signal="rx")) as capture:
        logs = list(capture.blocks())
    assert [byte for log in logs for byte in log.data.tolist()] == DATA.tolist()
    assert [t for log in logs for t in log.mark_t_ns.tolist()] == T_NS.tolist()
    assert all(log.bad is None for log in logs)
    assert capture.info.clock.resolution_ns == step_ns
    found = read_edges(vcd.VcdLevels(str(path)))
    assert {name for name in found if "[" not in name} == {"board.port.rx", "board.clk", "board.volts"}
    assert found["board.port.rx"].t_ns.tolist() == edges.t_ns.tolist()
    assert len(found["board.clk"]) == len(edges) - 1
