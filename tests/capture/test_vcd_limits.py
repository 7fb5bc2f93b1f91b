"""Declarations of value change dumps: scopes, names, sizes, time scales; how long words may be; what is written."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest

from busbench.capture import file_io
from busbench.capture.edges import read_edges
from busbench.capture.file_io import BLOCK_BYTES, ObjectSource
from busbench.capture.vcd import VcdLevels, VcdWriter, sniff
from busbench.errors import CaptureError
from busbench.wire.edges import Edges

RX = "$var wire 1 ! rx $end "
END = "$enddefinitions $end\n"


def levels(text: str) -> VcdLevels:
    return VcdLevels(ObjectSource(io.BytesIO(text.encode()), name="made"))


def changes(file: VcdLevels) -> dict[str, tuple[int, list[int], int]]:
    return {name: (one.initial, one.t_ns.tolist(), one.end_ns) for name, one in read_edges(file).items()}


@pytest.mark.parametrize(
    ("declared", "names"),
    [
        (RX, ["rx"]),
        ("$upscope $end " + RX, ["rx"]),
        ("$scope module a $end $scope begin b $end " + RX, ["a.b.rx"]),
        ("$scope module a $end $upscope $end $upscope $end " + RX, ["rx"]),
        ("$scope module a $end $scope module b $end $upscope $end " + RX, ["a.rx"]),
        ("$scope $end " + RX, [".rx"]),
        ("$scope module $end " + RX, [".rx"]),
        ("$var wire 1 ! $end " + RX, ["rx"]),  # without a name
        ("$var wire 1 ! r x $end", ["rx"]),
        ("$var real 64 ! rx $end $var realtime 64 % tx $end", ["rx", "tx"]),
        ("$var integer 1 % n $end " + RX, ["rx"]),
        (RX.removesuffix("$end "), ["rx"]),
        (f"$scope module {'m' * 201} $end $var wire 1 ! {'n' * 201} $end", [f"{'m' * 200}.{'n' * 200}"]),
        (f"$scope module {'a' * 199} $end $scope module {'b' * 200} $end {RX}", [f"{'a' * 198}.{'b' * 200}.rx"]),
        ("$var wire 2 ! p[5:4] $end", ["p[4]", "p[5]"]),
        ("$var wire 2 ! p[4:5] $end", ["p[5]", "p[4]"]),
        ("$var wire 2 ! p[0:-1] $end", ["p[-1]", "p[0]"]),
        ("$var wire 2 ! p[0:0] $end", ["p[0]", "p[1]"]),
    ],
)
def test_names_of_signals(declared: str, names: list[str]) -> None:
    assert list(levels(f"$timescale 1 ns $end {declared}{END}").names) == names


@pytest.mark.parametrize(
    ("scale", "change_ns", "end_ns", "resolution_ns"),
    [
        ("1 s", 1000 * 10**9, 3000 * 10**9, 10**9), ("1 ms", 10**9, 3 * 10**9, 10**6),
        ("10 us", 10**7, 3 * 10**7, 10_000), ("1ns", 1000, 3000, 1), ("1000 ps", 1000, 3000, 1),
        ("1001 ps", 1001, 3003, 2), ("1 ps", 1, 3, 1), ("100000000 fs", 100_000, 300_000, 100),
        ("999999999 fs", 999_999, 2_999_999, 1000),
    ],
)  # fmt: skip
def test_time_scales(scale: str, change_ns: int, end_ns: int, resolution_ns: int) -> None:
    file = levels(f"$timescale {scale} $end {RX}{END}#0 0!\n#1000 1!\n#3000\n")
    assert file.resolution_ns == resolution_ns
    assert changes(file) == {"rx": (0, [change_ns], end_ns)}
    assert file.notes == []


@pytest.mark.parametrize("scale", ["0 ns", "1", "ns", "1000000000 fs", "1.5 ns", "-1 ns", "1 min", "y" * 40, "y" * 41])
def test_time_scales_that_are_none(scale: str) -> None:
    said = scale.replace(" ", "")
    said = f'made: has the time scale "{said if len(said) <= 40 else said[:39] + "…"}": write one such as 10 ns'
    with pytest.raises(CaptureError, match=re.escape(said)):
        levels(f"$timescale {scale} $end {RX}{END}")


@pytest.mark.parametrize(
    ("declared", "said"),
    [
        ("$var event 1 ! e $end", "declares no signal that has a level (1 other variable)"),
        ("$var event 1 ! e $end $var reg 65 % r $end", "declares no signal that has a level (2 other variables)"),
        ("$var wire 1 ! $end", "declares no signal: save the line as a signal of one bit"),
    ],
)
def test_without_a_signal(declared: str, said: str) -> None:
    with pytest.raises(CaptureError, match=re.escape(said)):
        levels(f"$timescale 1 ns $end {declared} {END}")


@pytest.mark.parametrize(
    ("size", "said"),
    [
        (4 * BLOCK_BYTES - 1, "byte 4194303: ends inside its declarations: save it again"),
        (4 * BLOCK_BYTES, "byte 4194304: ends inside its declarations: save it again"),
        (4 * BLOCK_BYTES + 1, "byte 4194305: has no end of its declarations: save it again"),
    ],
)
def test_declarations_end_within_four_megabytes(size: int, said: str) -> None:
    with pytest.raises(CaptureError, match=said):
        levels(f"$comment {RX}".ljust(size, "."))
    whole = f"$comment {'.' * (size - 100)} $end {RX}{END}#5 0! #9 1! #12\n"
    assert changes(levels(whole)) == {"rx": (0, [9], 12)}


@pytest.mark.parametrize("rest", [1 << 19, (1 << 19) + 1])
def test_an_entry_ends_within_half_a_megabyte(rest: int) -> None:
    """Counted in the block in which it begins."""
    head = f"$timescale 1 ns $end {RX}{END}"
    lead = "#0 0!\n#5 1!\n$comment".ljust(BLOCK_BYTES - rest - len("\n"), " ")
    body = lead + "x" * (rest + 100) + " $end\n#9 0!\n#12\n"
    file = levels(head + body)
    if rest == 1 << 19:
        assert changes(file) == {"rx": (0, [5, 9], 12)}
        assert file.notes == []
    else:
        assert changes(file) == {"rx": (0, [5], 5)}
        at = len(head) + len(lead)
        assert file.notes == [
            f"byte {at}: is not a value change dump from here on: save it again; what is before it was read"
        ]


@pytest.mark.parametrize(
    ("head", "is_dump"),
    [
        ("$date today $end", True), ("\ufeff$timescale", True), ("$var\twire", True), ("$scopes", False),
        ("made by hand\n$version 1", True), ("a\nb\nc\n$comment x", True), ("a\nb\nc\nd\n$comment x", False),
        ("a" * 200 + "\n$comment x", True), ("a" * 201 + "\n$comment x", False), ("$enddefinitions $end", True),
    ],
)  # fmt: skip
def test_a_dump_begins_with_a_declaration_after_at_most_three_lines(head: str, is_dump: bool) -> None:
    assert sniff(head.encode()) is is_dump


@pytest.mark.parametrize(
    ("step_ns", "said"),
    [
        (1, "1 ns"),
        (10, "10 ns"),
        (100, "100 ns"),
        (1000, "1 us"),
        (10**5, "100 us"),
        (10**6, "1 ms"),
        (10**8, "100 ms"),
    ],
)
def test_time_scales_that_are_written(step_ns: int, said: str) -> None:
    file = io.BytesIO()
    writer = VcdWriter(file, timescale_ns=step_ns)
    writer.close()
    assert file.getvalue() == b""  # nothing was written so far
    writer.write(Edges(np.array([5, 9]) * step_ns, 1, 2 * step_ns, 12 * step_ns))
    writer.close()
    head, _, body = file.getvalue().decode().partition(END)
    assert f"$timescale {said} $end\n" in head
    assert body == "#2\n$dumpvars\n1!\n$end\n#5\n0!\n#9\n1!\n#12\n"


@pytest.mark.parametrize("step_ns", [2, 30, 1001, 10**9, 5 * 10**6])
def test_time_scales_that_are_not_written(step_ns: int) -> None:
    with pytest.raises(ValueError, match=f"timescale_ns is {step_ns}, not 1, 10 or 100 of ns, µs or ms"):
        VcdWriter(io.BytesIO(), timescale_ns=step_ns).write(Edges(np.array([0]), 0, 0, 1))


@pytest.mark.parametrize(
    ("last", "changed", "end_ns", "notes"),
    [
        ("", [5], 7, []),
        ("#9", [5], 9, []),
        ("0!", [5, 7], 7, []),
        ("0", [5], 7, ["the file is cut inside its last entry"]),
        ("#", [5], 7, ["the file is cut inside its last entry"]),
    ],
)
def test_the_last_entry_needs_no_space_after_it(last: str, changed: list[int], end_ns: int, notes: list[str]) -> None:
    file = levels(f"$timescale 1 ns $end {RX}{END}#0 0! #5 1! #7 {last}")
    assert changes(file) == {"rx": (0, changed, end_ns)}
    assert file.notes == notes


@pytest.mark.parametrize("block_bytes", range(5, 13))
def test_the_last_level_at_one_time_counts_over_blocks(monkeypatch: pytest.MonkeyPatch, block_bytes: int) -> None:
    monkeypatch.setattr(file_io, "BLOCK_BYTES", block_bytes)
    file = levels(f"$timescale 1 ns $end {RX}{END}#0 0! #5 1! 0! #7 1! #8 0! 1! 0! #9")
    assert changes(file) == {"rx": (0, [7, 8], 9)}
