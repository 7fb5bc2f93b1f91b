"""The entries of a value change dump, one by one: the same at once and singly, times, values, what is held back."""

from __future__ import annotations

import re
from collections.abc import Collection

import pytest

from busbench.capture.vcd_changes import FS_PER_NS, REAL, Part, VcdChanges, _value_of
from busbench.errors import CaptureError
from busbench.model import TIME_MAX_NS, TIME_MIN_NS

RX: Part = (b"!", 0)
SINGLY = b"r1 ~ "  # a value of another variable, which takes all entries beside it off the quick way


def changes(
    wanted: Collection[Part] = (RX,), known: Collection[bytes] = (b"!", b"%", b"~"), step_fs: int = FS_PER_NS
) -> VcdChanges:
    return VcdChanges("made", wanted, known, step_fs)


def handed(one: VcdChanges, part: Part = RX, *, is_end: bool = True) -> list[tuple[int, float]]:
    times, values = one.hand_over(part, is_end=is_end)
    return list(zip(times.tolist(), values.tolist(), strict=True))


@pytest.mark.parametrize("more", [b"", b"abcdefgh"], ids=["few", "many"])
@pytest.mark.parametrize("lead", [b"", SINGLY], ids=["at once", "singly"])
@pytest.mark.parametrize(
    ("text", "found", "unknown"),
    [
        (b"", [], 0),
        (b" \n", [], 0),
        (b"#5 #7", [], 0),
        (b"1!", [(0, 1)], 0),
        (b"#0 1!", [(0, 1)], 0),
        (b"#5 1! #7 0!", [(5, 1), (7, 0)], 0),
        (b"\t#5\r\n1!\v#5\f0!\n#5 1!\n", [(5, 1), (5, 0), (5, 1)], 0),
        (b"#5 1% #6 0% #7 1! #8 0%", [(7, 1)], 0),
        (b"#5 1% #6 0%", [], 0),
        (b"#5 x! #6 X! #7 z! #8 Z! #9 0!", [(9, 0)], 4),
        (b"#5 x% #6 1!", [(6, 1)], 0),
        (b"#9 1! #10 0! #12345678 1! #123456789 0! #1234567890123456 1!",
         [(9, 1), (10, 0), (12_345_678, 1), (123_456_789, 0), (1_234_567_890_123_456, 1)], 0),
        (b"#0000000000000005 1!", [(5, 1)], 0),
        (b"#00000000000000005 1!", [(5, 1)], 0),
    ],
)  # fmt: skip
def test_times_and_levels(more: bytes, lead: bytes, text: bytes, found: list[tuple[int, float]], unknown: int) -> None:
    one = changes(known=[b"!", b"%", b"~", *(bytes([name]) for name in more)])
    one.take(lead + text + b"\n", 0)
    assert (handed(one), one.unknown) == (found, unknown)
    assert one.notes() == ([f"{unknown} changes to x or z taken as no change"] if unknown else [])


@pytest.mark.parametrize("lead", [b"", SINGLY], ids=["at once", "singly"])
def test_what_may_still_change_is_held_back(lead: bytes) -> None:
    one = changes()
    one.take(lead + b"#5 1! #7 0! #8 1! ", 0)
    assert (handed(one, is_end=False), one.reached_ns) == ([(5, 1), (7, 0)], 8)
    assert handed(one, is_end=False) == []
    one.take(lead + b"0! #9 1! ", 0)
    assert (handed(one, is_end=False), one.reached_ns) == ([(8, 1), (8, 0)], 9)
    one.take(lead + b"#12 ", 0)
    assert (handed(one, is_end=False), one.reached_ns) == ([(9, 1)], 12)
    assert handed(one) == []


def test_a_value_a_comment_and_a_command_may_go_on_in_the_next_part() -> None:
    one = changes()
    for part in (b"#5 b1 ", b"! #6 $comment 0! ", b"1! x ", b"$end 0! $dumpoff x! $end ", b"#8 $dumpon 1! ", b"$end "):
        one.take(part, 0)
    assert (handed(one), one.unknown) == ([(5, 1), (6, 0), (8, 1)], 1)


@pytest.mark.parametrize("command", [b"$dumpvars", b"$dumpall", b"$dumpon", b"$dumpoff"])
def test_commands_with_values(command: bytes) -> None:
    one = changes()
    one.take(b"#3 " + command + b" 1! $end #4 0! ", 0)
    assert handed(one) == [(3, 1), (4, 0)]


@pytest.mark.parametrize(
    ("value", "bit", "expected"),
    [
        (b"b101", 0, 1), (b"b101", 1, 0), (b"b101", 2, 1), (b"b101", 3, 0), (b"B011", 2, 0), (b"B011", 63, 0),
        (b"bx1", 0, 1), (b"bx1", 1, 2), (b"bx1", 2, 2), (b"bZ1", 5, 2), (b"b0x", 0, 2), (b"b0x", 4, 0), (b"b1x", 4, 0),
        (b"b", 0, 2), (b"b2", 0, 2), (b"b2", 1, 2), (b"r1", 0, None), (b"s1", 0, None), (b"S1", REAL, None),
        (b"r1.5", REAL, 1.5), (b"R-2e3", REAL, -2000), (b"b1", REAL, None), (b"r", REAL, None), (b"rx", REAL, None),
        (b"r9e299", REAL, 9e299), (b"r1e300", REAL, None), (b"r-1e300", REAL, None), (b"rinf", REAL, None),
        (b"rnan", REAL, None),
    ],
)  # fmt: skip
def test_values_of_bits_and_of_real_numbers(value: bytes, bit: int, expected: float | None) -> None:
    assert _value_of(value, bit) == expected
    one = changes([(b"!", bit)])
    one.take(b"#7 " + value + b" ! #9 ", 0)
    known = expected is not None and (bit == REAL or expected < 2)
    assert handed(one, (b"!", bit)) == ([(7, expected)] if known else [])
    assert one.unknown == (expected == 2 and bit != REAL)


def test_a_single_bit_is_the_lowest_of_its_variable() -> None:
    """The higher ones are 0, and x where it is x."""
    parts = [(b"!", bit) for bit in range(3)]
    one = changes(parts)
    one.take(b"#1 1! #2 0! ", 0)
    assert [handed(one, part) for part in parts] == [[(1, 1), (2, 0)], [(1, 0), (2, 0)], [(1, 0), (2, 0)]]


@pytest.mark.parametrize("lead", [b"", SINGLY], ids=["at once", "singly"])
@pytest.mark.parametrize("count", [1, 6, 7, 8, 9, 20])
def test_many_variables_at_once(lead: bytes, count: int) -> None:
    idents = [b"%c" % (35 + i) for i in range(count)]
    wanted = [(ident, 0) for ident in idents[::2]]
    one = changes(wanted, [*idents, b"~"])
    one.take(lead + b"".join(b"#%d %d%s\n" % (n, n % 2, idents[n % count]) for n in range(60)), 0)
    for i, part in zip(range(0, count, 2), wanted, strict=True):
        assert handed(one, part) == [(n, n % 2) for n in range(i, 60, count)]


@pytest.mark.parametrize("lead", [b"", SINGLY], ids=["at once", "singly"])
@pytest.mark.parametrize("ident", [b"a", b"abcdefg", b"abcdefgh", b"abcdefghi"])
def test_identifiers_of_any_length(lead: bytes, ident: bytes) -> None:
    one = changes([(ident, 0)], [ident, b"ab", b"~"])
    one.take(lead + b"#1 1ab #2 1" + ident + b" #3 0ab #4 0" + ident + b" ", 0)
    assert handed(one, (ident, 0)) == [(2, 1), (4, 0)]


@pytest.mark.parametrize("lead", [b"", SINGLY], ids=["at once", "singly"])
@pytest.mark.parametrize(
    ("text", "entry", "said"),
    [
        (b"#5 1! #4 0!", b"#4", '"#4" goes back in time from #5'),
        (b"#5 #-1", b"#-1", '"#-1" goes back in time from #5'),
        (b"1! #-1", b"#-1", '"#-1" goes back in time from #0'),
        (b"b1 ! #-1", b"#-1", '"#-1" goes back in time from #0'),
        (b"#", b"#", '"#" is not a time'),
        (b"#-", b"#-", '"#-" is not a time'),
        (b"#--5", b"#--5", '"#--5" is not a time'),
        (b"#1.5", b"#1.5", '"#1.5" is not a time'),
        (b"#1 1! #9999999999999999999 0!", b"#9999", '"#9999999999999999999" is too late a time'),
        (b"#1 1! #00000000000000000005 0!", b"#0000", '"#000000000000000000…" is not a time'),
        (b"#1 1? 0!", b"1?", '"1?" changes no signal that is declared'),
        (b"#1 1 0!", b"1 0!", '"1" changes no signal that is declared'),
        (b"#1 1! 1!! 0!", b"1!!", '"1!!" changes no signal that is declared'),
        (b"#1 q! 0!", b"q!", '"q!" is not an entry of a value change dump'),
        (b"#1 2! 0!", b"2!", '"2!" is not an entry of a value change dump'),
        (b"#1 qqqqqqqqqqqqqqqqqqqq", b"qq", '"qqqqqqqqqqqqqqqqqqqq" is not an entry'),
        (b"#1 qqqqqqqqqqqqqqqqqqqqq", b"qq", '"qqqqqqqqqqqqqqqqqqq…" is not an entry'),
    ],
)
def test_what_is_no_entry_is_reported_with_its_byte(lead: bytes, text: bytes, entry: bytes, said: str) -> None:
    one = changes()
    with pytest.raises(CaptureError, match=re.escape(said)) as caught:
        one.take(lead + text + b"\n", 1000)
    assert caught.value.offset == 1000 + len(lead) + text.index(entry)
    before = {b"#5 1!": [(5, 1)], b"#1 1!": [(1, 1)], b"1! #-": [(0, 1)], b"b1 ! ": [(0, 1)]}
    assert handed(one) == before.get(text[:5], [])


@pytest.mark.parametrize("lead", [b"", SINGLY], ids=["at once", "singly"])
@pytest.mark.parametrize(("step_fs", "per_ns"), [(FS_PER_NS, 1), (1000 * FS_PER_NS, 1000)])
def test_the_latest_and_the_earliest_time(lead: bytes, step_fs: int, per_ns: int) -> None:
    latest, earliest = TIME_MAX_NS // per_ns, TIME_MIN_NS // per_ns
    for time in (latest, earliest):
        one = changes(step_fs=step_fs)
        one.take(lead + b"#%d 1! " % time, 0)
        assert handed(one) == [(time * per_ns, 1)]
    for time, said in ((latest + 1, "late"), (earliest - 1, "early")):
        with pytest.raises(CaptureError, match=f"is too {said} a time"):
            changes(step_fs=step_fs).take(lead + b"#%d 1! " % time, 0)


@pytest.mark.parametrize(
    ("step_fs", "times_ns"),
    [
        (10**15, [-3_000_000_000, 0, 1_000_000_000, 2999 * 10**9]),
        (FS_PER_NS, [-3, 0, 1, 2999]),
        (FS_PER_NS // 10, [-1, 0, 0, 299]),
        (1, [-1, 0, 0, 0]),
        (41_667_000, [-126, 0, 41, 124_959]),  # 2999 * 41.667 is 124,959.3
        (3 * FS_PER_NS // 2, [-5, 0, 1, 4498]),
    ],
)
def test_times_are_whole_nanoseconds_rounded_down(step_fs: int, times_ns: list[int]) -> None:
    one = changes(step_fs=step_fs)
    one.take(b"#-3 1! #0 1! #1 1! #2999 1! ", 0)
    assert [t for t, _ in handed(one)] == times_ns
    assert one.reached_ns == times_ns[-1]


@pytest.mark.parametrize(
    ("first", "last", "found", "is_cut"),
    [
        (b"#5 1! ", b"#9", [(5, 1)], False),
        (b"#5 1! ", b"#", [(5, 1)], True),
        (b"#5 1! ", b"#3", [(5, 1)], True),
        (b"#5 1! ", b"0!", [(5, 1), (5, 0)], False),
        (b"#5 1! ", b"0%", [(5, 1)], False),
        (b"#5 1! ", b"0", [(5, 1)], True),
        (b"#5 1! ", b"0?", [(5, 1)], True),
        (b"#5 1! ", b"q!", [(5, 1)], True),
        (b"#5 1! ", b"b10", [(5, 1)], True),
        (b"#5 b1 ", b"!", [(5, 1)], False),
        (b"#5 $dumpvars 1! ", b"$end", [(5, 1)], False),
        (b"#5 $dumpvars 1! ", b"$en", [(5, 1)], True),
    ],
)
def test_the_last_entry_may_be_cut(first: bytes, last: bytes, found: list[tuple[int, float]], is_cut: bool) -> None:
    one = changes()
    one.take(first, 0)
    one.take_last(last)
    assert handed(one) == found
    assert one.notes() == ["the file is cut inside its last entry"] * is_cut


def test_a_signal_of_unknown_levels_alone_has_no_change() -> None:
    one = changes()
    one.take(b"x! #4 ", 0)
    assert one.notes() == ["1 change to x or z taken as no change"]
    assert one.hand_over((b"!", 0), is_end=True)[0].size == 0
