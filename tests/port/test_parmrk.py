"""The marks of a terminal, undone over any cut."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busbench.port.parmrk import Unmarker


@pytest.mark.parametrize(
    ("marked", "data", "bad"),
    [
        (b"", b"", b""),
        (b"\x0f\x00\x04", b"\x0f\x00\x04", b""),
        (b"\x0f\xff\xff\x04", b"\x0f\xff\x04", b""),
        (b"\xff\x00\x41\x42", b"\x41\x42", b"\x01\x00"),
        (b"a\xff\x00\x00b", b"a\x00b", b"\x00\x01\x00"),  # a break
        (b"\xff\x00\xff\xff\xff", b"\xff\xff", b"\x01\x00"),  # a bad FF, a good FF
        (b"\xff\xff\xff\x00\x07", b"\xff\x07", b"\x00\x01"),
        (b"\xff\x41", b"\xff\x41", b""),  # cannot be: nothing is taken away
    ],
)
def test_marks_are_undone(marked: bytes, data: bytes, bad: bytes) -> None:
    assert Unmarker().feed(marked) == (data, bad)


def marked_as_terminal(line: list[tuple[int, bool]]) -> bytes:
    return b"".join(
        bytes([0xFF, 0, byte]) if is_bad else b"\xff\xff" if byte == 0xFF else bytes([byte]) for byte, is_bad in line
    )


BYTES = st.tuples(st.one_of(st.sampled_from([0, 0xFF]), st.integers(0, 255)), st.booleans())


@given(st.lists(BYTES), st.lists(st.integers(0, 80)))
def test_any_cut_gives_the_same(line: list[tuple[int, bool]], cuts: list[int]) -> None:
    marked = marked_as_terminal(line)
    unmarker, data, bad = Unmarker(), b"", b""
    places = [0, *sorted(min(cut, len(marked)) for cut in cuts), len(marked)]
    for start, stop in pairwise(places):
        part, mask = unmarker.feed(marked[start:stop])
        assert len(mask) in (0, len(part))
        data += part
        bad += mask or bytes(len(part))
    assert data == bytes(byte for byte, _ in line)
    assert bad == bytes(is_bad for _, is_bad in line)
    assert unmarker.flush() == (b"", b"")


def test_a_cut_escape_at_the_end_is_not_lost() -> None:
    unmarker = Unmarker()
    assert unmarker.feed(b"a\xff\x00") == (b"a", b"")
    assert unmarker.flush() == (b"\xff\x00", b"\x01\x01")
    assert unmarker.flush() == (b"", b"")
