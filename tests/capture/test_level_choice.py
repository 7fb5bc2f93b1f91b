"""Which of several lines is taken, by exact numbers of changes and characters, and what of one is shown."""

from __future__ import annotations

from collections.abc import Collection, Iterator

import numpy as np
import pytest

from busbench.capture.base import ReadOptions
from busbench.capture.edges import LevelCapture, LevelFile, read_edges
from busbench.errors import CaptureError
from busbench.wire.codec import pack_frames
from busbench.wire.edges import Edges
from busbench.wire.uart import LineFault, encode_line

FRAMES = pack_frames(900 + np.arange(40)[:, None] + np.arange(16)).tobytes()


class Lines(LevelFile):
    """Pieces of lines by name, then damage if any."""

    path, format, resolution_ns = "made", "lines", 1

    def __init__(self, *pieces: dict[str, Edges], notes: tuple[str, ...] = (), is_damaged: bool = False) -> None:
        self.names = tuple(dict.fromkeys(name for piece in pieces for name in piece))
        self.notes = list(notes)
        self._pieces, self._is_damaged = pieces, is_damaged

    def pieces(self, names: Collection[str]) -> Iterator[dict[str, Edges]]:
        for piece in self._pieces:
            yield {name: edges for name, edges in piece.items() if name in names}
        if self._is_damaged:
            raise CaptureError(self.path, "is damaged", hint="save it again")


def sent(data: bytes, bad: tuple[int, ...] = (), *, from_ms: int = 1) -> Edges:
    """A line that sends some bytes, some with wrong parity."""
    faults = np.zeros(len(data), np.uint8)
    faults[list(bad)] = LineFault.PARITY
    return encode_line(data, from_ms * 1_000_000 + 120_000 * np.arange(len(data)), bad=faults)


def first(edges: Edges, count: int) -> Edges:
    """Its first changes."""
    return Edges(edges.t_ns[:count], edges.initial, edges.start_ns, int(edges.t_ns[count - 1]))


def taken(*pieces: dict[str, Edges]) -> tuple[str, str]:
    """The line that is taken, and why."""
    info = LevelCapture(Lines(*pieces), ReadOptions()).info
    return info.source, info.notes[0].partition(" was taken, ")[2].partition(";")[0]


def test_a_line_is_judged_once_it_has_2000_changes() -> None:
    """Of two with frames, one that has 1999 is not yet judged."""
    edges = sent(FRAMES)
    more = Edges(edges.t_ns[1999:2050], 1, int(edges.t_ns[1998]), int(edges.t_ns[2049]))
    lead = {"a": first(edges, 2000), "b": first(edges, 1999)}
    assert taken(lead, {"b": more}) == ("a", "which carries frames")
    lead = {"a": first(edges, 1999), "b": first(edges, 1999)}
    assert taken(lead, {"b": more}) == ("b", "which carries frames")
    lead = {"a": first(edges, 1999), "b": first(edges, 1998)}
    assert taken(lead, {"b": first(sent(b"\0", from_ms=9000), 1)}) == ("a", "which carries frames")


@pytest.mark.parametrize(
    ("a", "b", "expected"),
    [
        (sent(b"\x0f" * 4), sent(b"\x0f" * 3), "a"),
        (sent(b"\x0f" * 3), sent(b"\x0f" * 4), "b"),
        (sent(b"\x0f" * 3), sent(b"\x0f" * 3), "a"),
        (sent(b"\x0f" * 20, (3, 7, 11, 15)), sent(b"\x0f" * 11), "a"),  # 20 - 2 * 4 is 12
        (sent(b"\x0f" * 20, (3, 7, 11, 15)), sent(b"\x0f" * 13), "b"),
    ],
)
def test_without_frames_the_line_of_most_sound_characters_is_taken(a: Edges, b: Edges, expected: str) -> None:
    assert taken({"a": a, "b": b}) == (expected, "on which most characters are sound")


def test_the_same_changes_are_judged_once() -> None:
    """A line of 200 characters that was judged early, and of ten more, has fewer than one of 300."""
    early, slow = sent(b"\x55" * 200), sent(b"\x0f" * 300)
    assert (len(early) >= 2000, len(slow) < 2000) == (True, True)
    assert taken({"a": early, "b": slow}, {"a": sent(b"\x55" * 10, from_ms=900)}) == (
        "b",
        "on which most characters are sound",
    )


@pytest.mark.parametrize("count", [0, 1])
def test_one_sound_character_is_enough(count: int) -> None:
    still = Edges(np.empty(0, np.int64), 0, 0, 10_000_000)
    why = "on which most characters are sound" if count else "though none carries frames"
    assert taken({"a": still, "b": sent(b"\x0f") if count else still}) == ("b" if count else "a", why)


@pytest.mark.parametrize("count", [9_999, 10_000])
def test_ten_thousand_breaks_are_a_line_that_carries_something(count: int) -> None:
    times = 5_000_000 * np.arange(1, 2 * count + 1)
    capture = LevelCapture(Lines({"rx": Edges(times, 0, 0, int(times[-1]) + 5_000_000)}), ReadOptions())
    if count == 10_000:
        assert sum(map(len, capture.blocks())) == count
    else:
        with pytest.raises(CaptureError, match=r"no characters \(19,998 changes of level\): check where the probe was"):
            list(capture.blocks())


def test_the_first_40_characters_of_names_are_shown() -> None:
    whole, cut = "a" * 40, "b" * 41
    piece = {whole: sent(b"\x0f" * 2), cut: sent(b"\x0f")}
    (note,) = LevelCapture(Lines(piece), ReadOptions()).info.notes
    why = "on which most characters are sound"
    assert note == f'signal "{whole}" of 2 was taken, {why}; --signal names another: {"b" * 39}…'
    capture = LevelCapture(Lines(piece), ReadOptions(signal=cut))
    assert (capture.info.source, capture.info.notes) == ("b" * 39 + "…", [])
    with pytest.raises(CaptureError, match=f'has no signal "{"c" * 39}…": it has {whole}, {"b" * 39}…'):
        LevelCapture(Lines(piece), ReadOptions(signal="c" * 41))


def test_notes_of_the_choice_of_the_line_and_of_the_file_in_this_order() -> None:
    low = sent(b"\x0f" * 3)
    high = Edges(low.t_ns, 1, low.start_ns, low.end_ns)
    capture = LevelCapture(Lines({"rx": high, "still": first(low, 1)}, notes=("made",)), ReadOptions())
    for _ in range(2):
        assert [log.data.tolist() for log in capture.blocks()] == [[15, 15, 15]]
        choice, line, file = capture.info.notes
        assert choice.startswith('signal "rx" of 2 was taken')
        assert (line, file) == ("the line idles high: inverted polarity", "made")


def test_blocks_of_several_pieces_follow_one_another() -> None:
    pieces = [{"rx": sent(b"\x0f\x01", from_ms=100 * n + 1)} for n in range(3)]
    capture = LevelCapture(Lines({}, *pieces[:2], {}, pieces[2]), ReadOptions())
    logs = list(capture.blocks())
    assert b"".join(log.data.tobytes() for log in logs) == b"\x0f\x01" * 3
    assert [log.offset for log in logs] == [0, *(log.end for log in logs[:-1])]
    assert np.concatenate([log.mark_end for log in logs]).tolist() == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize("count", [0, 1])
def test_damage_is_raised_where_there_was_no_change_before(count: int) -> None:
    file = Lines({"rx": Edges(np.arange(count), 0, 0, 5), "tx": Edges(np.arange(0), 0, 0, 5)}, is_damaged=True)
    if count:
        assert {name: len(edges) for name, edges in read_edges(file).items()} == {"rx": 1, "tx": 0}
        assert file.notes == ["is damaged: save it again; what is before it was read"]
    else:
        with pytest.raises(CaptureError, match="is damaged: save it again"):
            read_edges(file)
