"""The search for frames where the beat is lost: the best chain over a run of bytes.

Every place that could hold a frame is a node. A chain of nodes earns for each
node, for each pair of like neighbours, and pays for each run of bytes it leaves
in no frame; the best chain wins (a Viterbi search over sparse nodes). The part
of it that every close rival shares is settled and handed over. All decisions
depend on the bytes and their order alone, never on how they were cut into reads.

Scores are log-odds in nats against "just bytes".
"""

from __future__ import annotations

from dataclasses import dataclass

from busbench.wire.frame_spec import END_BYTES, END_SLOTS, FLAGS_MAX, FRAME_BYTES, HEADER, SLOT_GAPS, is_slot_gap
from busbench.wire.similarity import FrameFields, is_unremarkable, likeness, same_ahead, same_behind
from busbench.wire.stream_buffer import StreamBuffer

PLACE = 12.0  # header, four zero bits and an end byte, by chance once in 2**18
FOLLOWED = 5.0  # the byte after is a header too: by chance once in 256
READ_START = 2.0  # a read ended right before the header: the idle gap
READ_WHOLE = 20.0  # a read that holds one frame and no more: outweighs neighbours that no hand would make
BREAK = 7.0  # one run of damage: about once in a thousand
BAD_BYTE = 1.0
LOOSE = 8.0  # an odd frame with something odd right behind it
SHIFTED = 30.0  # the same where one foreign or lost byte explains both
OVERLEAP = 6.0  # the frame is unlike the one before, but like the one before that
FULL = PLACE + FOLLOWED + 10.0  # what a frame in a steady chain earns
REPEATED = 24.0  # damaged bytes that repeat a whole frame
MOST_OF_GAP = 2 * REPEATED
MARGIN = 14.0  # close rivals are nearer than this: one in a million
MARGIN_START = 30.0  # the same before any frame is known
MARGIN_STEADY = 60.0  # the same against another steady chain: damage favours one or the other by chance
STEADY_FRAMES = 4
MARGIN_AMBIGUOUS = 12.0
WORTH = 6.0  # a lone chain must earn this
QUIET_BYTES = 1024  # no node for so long: decide
JUNK_BYTES = 4096  # rejected at once where no node stands
HOLD_BYTES = 1 << 18  # decide at the latest
_WINDOW_BYTES = 256  # looked through at once: most searches end soon
_NEIGHBOURS = 12  # nodes looked back at


@dataclass(frozen=True, slots=True)
class KnownFrame:
    """The last frame that is certain.

    Args:
        sight: what it looks like.
        end: the place behind it.
        steady: what those before it looked like, where it is unlike them.
    """

    sight: FrameFields
    end: int
    steady: FrameFields | None = None


@dataclass(slots=True)
class _Node:
    start: int
    sight: FrameFields
    own: float
    loose: float  # what it pays where it is odd
    suffix: int  # bytes before it that are as its own last ones
    steady: FrameFields | None = None
    score: float = 0.0
    before: int = -1  # index of the node before, -1 for the start of the search
    root: int = -1
    depth: int = 1  # nodes of the chain

    @property
    def end(self) -> int:
        return self.start + FRAME_BYTES


@dataclass(frozen=True, slots=True)
class SearchResult:
    """Frames that are settled.

    Args:
        frames: their places, rising.
        resume: the place where the search goes on.
        is_ambiguous: True where another chain was as good.
        in_step: True where the next frame is expected at `resume`.
        unlike: those that are unlike the frame before.
        back: those that are unlike it too, but like the one before that.
    """

    frames: list[int]
    resume: int
    is_ambiguous: bool = False
    in_step: bool = False
    unlike: tuple[int, ...] = ()
    back: tuple[int, ...] = ()


def is_candidate(frame: bytes) -> bool:
    """True where bytes are 25, with header, zero bits and end byte of a frame."""
    return len(frame) == FRAME_BYTES and frame[0] == HEADER and frame[23] <= FLAGS_MAX and frame[24] in END_BYTES


def is_followed(stream: StreamBuffer, place: int, *, final: bool) -> bool | None:
    """True if a header follows the frame or its sensor replies; None if too few bytes have come to decide."""
    return _header_follows(stream, place + FRAME_BYTES, final=final)


def _header_follows(stream: StreamBuffer, after: int, *, final: bool) -> bool | None:
    """True if a header stands at the offset, or behind sensor replies if the byte before it allows them."""
    for gap in (0, *SLOT_GAPS) if stream.byte(after - 1) in END_SLOTS else (0,):
        if after + gap >= stream.end:
            return True if final else None
        if stream.byte(after + gap) == HEADER:
            return True
    return False


def is_shifted(stream: StreamBuffer, place: int, *, final: bool) -> bool | None:
    """True if one foreign or lost byte may have made these 25 bytes, which no header follows.

    A foreign byte inside a frame moves its flags to the end byte's place; its end byte and the
    next header follow. A byte lost before sensor replies makes the end byte the flags, and the
    first reply's byte the end byte.

    Args:
        stream: the bytes.
        place: offset of the 25 bytes.
        final: True if no more bytes will come.

    Returns:
        None if too few bytes have come to decide.
    """
    end = place + FRAME_BYTES
    if end < stream.end and stream.byte(end) in END_BYTES and stream.byte(end - 1) <= FLAGS_MAX:
        follows = _header_follows(stream, end + 1, final=final)
        if follows is None or follows:
            return follows
    replies = SLOT_GAPS if stream.byte(end - 1) in END_SLOTS else ()
    return any(stream.byte_or(end + gap - 1, 0) == HEADER for gap in replies)


def _gap(
    stream: StreamBuffer, before: FrameFields, start: int, stop: int, *, known: int, behind: _Node | None = None
) -> float:
    """What the bytes between two frames earn: damage costs, but less where they begin and end as a frame would.

    Without that, sticks held so that a frame seems to begin inside another would let damage
    in the one alignment speak for the other, though either has lost one frame.

    Args:
        stream: the bytes.
        before: the frame before the gap.
        start, stop: the gap.
        known: where the search began: what lies before it may have been let go, and counts for nothing.
        behind: the frame behind it, None where there is none yet: then the one before stands for it.
    """
    size = stop - start
    if not size:
        return 0.0
    first = stream.span(start, min(stop, start + FRAME_BYTES)) if start >= known else b""
    repeated = 0 if is_candidate(first) else same_ahead(first, before.raw)
    repeated += _suffix(stream, stop, before.raw, known=known) if behind is None else behind.suffix
    score = REPEATED * min(repeated, size) / FRAME_BYTES - BREAK
    return 0.0 if first and is_slot_gap(before.end, size, first[0]) else score


def _suffix(stream: StreamBuffer, stop: int, raw: bytes, *, known: int) -> int:
    """How many bytes before a place are as the last ones of a frame; none where they are a frame themselves."""
    last = stream.span(max(stop - FRAME_BYTES, known), stop)
    return 0 if is_candidate(last) else same_behind(last, raw)


class Search:
    """One search, from the end of the last certain frame (or the start of a log)."""

    def __init__(self, start: int, anchor: KnownFrame | None) -> None:
        self.start = start
        self.anchor = anchor
        self._looked = start  # headers before this place are nodes or ruled out
        self._nodes: list[_Node] = []

    def advance(self, stream: StreamBuffer, *, final: bool) -> SearchResult | None:
        """Take what has come; a verdict when something is settled, None to wait for more."""
        limit = max(self._looked, stream.end - FRAME_BYTES + 1)
        while self._looked < limit:
            upto = min(self._looked + _WINDOW_BYTES, limit)
            for place in stream.headers(self._looked, upto):
                if verdict := self._quiet_before(stream, place):
                    return verdict
                frame = stream.frame(place)
                if is_candidate(frame) and not stream.has_pause_inside(place):
                    followed = is_followed(stream, place, final=final)
                    shifted = False if followed is not False else is_shifted(stream, place, final=final)
                    if followed is None or shifted is None:
                        return None
                    self._add(stream, place, frame, followed=followed, shifted=shifted)
                    self._looked = place + 1
                    if verdict := self._settle(stream):
                        return verdict
            self._looked = upto
            if verdict := self._quiet_before(stream, upto):
                return verdict
        return self._decide(stream, stream.end) if final else None

    def _quiet_before(self, stream: StreamBuffer, place: int) -> SearchResult | None:
        """Decide where nothing that could be a frame has stood for long."""
        if self._nodes:
            if place > self._nodes[-1].end + QUIET_BYTES:
                return self._decide(stream, self._nodes[-1].end + QUIET_BYTES)
            if place > self.start + HOLD_BYTES:
                return self._decide(stream, self._nodes[-1].end)
        elif place >= self.start + JUNK_BYTES:
            return SearchResult([], self.start + JUNK_BYTES)
        return None

    def _add(self, stream: StreamBuffer, place: int, frame: bytes, *, followed: bool, shifted: bool) -> None:
        own = PLACE + FOLLOWED * followed - min(4.0, BAD_BYTE * stream.bad_bytes(place))
        own += READ_START * stream.pause_before(place) + READ_WHOLE * stream.is_one_read(place)
        loose = 0.0 if followed else SHIFTED if shifted else LOOSE
        node = _Node(place, FrameFields.of(frame), own, loose, _suffix(stream, place, frame, known=self.start))
        self._from_start(stream, node)
        best_far: tuple[float, int] | None = None
        for index in range(len(self._nodes) - 1, -1, -1):
            other = self._nodes[index]
            if other.end > place:
                continue
            if len(self._nodes) - index > _NEIGHBOURS and best_far is not None:
                break
            step, steady = self._step(stream, other.sight, other.end, other.steady, node)
            score = other.score + step
            best_far = max(best_far, (score, index)) if best_far else (score, index)
            if score > node.score:
                node.score, node.before, node.root, node.steady = score, index, other.root, steady
                node.depth = other.depth + 1
        node.score += own
        self._nodes.append(node)

    def _from_start(self, stream: StreamBuffer, node: _Node) -> None:
        """Score a node as the first of its chain."""
        node.root = len(self._nodes)
        if self.anchor is not None:
            last = self.anchor
            node.score, node.steady = self._step(stream, last.sight, last.end, last.steady, node)
            return
        gap = node.start - self.start
        loose = -SHIFTED / 4 if node.loose else 0.0
        # The rest of a frame that began before the log: worth its share, so that
        # where a log happens to start favours no alignment.
        fits = gap == 0 or (
            stream.byte(node.start - 1) in END_BYTES and (gap == 1 or stream.byte(node.start - 2) <= FLAGS_MAX)
        )
        node.score = loose + (FULL * gap / FRAME_BYTES if fits and gap < FRAME_BYTES else -BREAK)

    def _step(
        self, stream: StreamBuffer, before: FrameFields, end: int, steady: FrameFields | None, node: _Node
    ) -> tuple[float, FrameFields | None]:
        """What a pair of neighbours earns, and what the frames before the node looked like if it is unlike them."""
        gap = node.start - end
        missing = (gap + FRAME_BYTES // 2) // FRAME_BYTES
        score, like = likeness(before, node.sight, missing=missing), before
        unlike = None if score > 0 else steady or before
        if steady is not None and score <= 0:
            # One garbled frame must not cut a chain.
            over = likeness(steady, node.sight, missing=missing + 1) - OVERLEAP
            if over > score:
                score, like = over, steady
                unlike = None if score > -OVERLEAP else unlike
        score += _gap(stream, before, end, node.start, known=self.start, behind=node)
        if node.loose and not is_unremarkable(like, node.sight, missing=missing):
            score -= node.loose
        return score, unlike

    def _value(self, stream: StreamBuffer, node: _Node, place: int) -> float:
        """A node's score as seen from a later place, with credit for its follower under way."""
        under_way = place - node.end
        if 0 < under_way < FRAME_BYTES and stream.byte(node.end) == HEADER:
            return node.score + FULL * under_way / FRAME_BYTES
        return node.score

    def _settle(self, stream: StreamBuffer) -> SearchResult | None:
        """Hand over what all close rivals share, looked at from the end of the newest node."""
        count = len(self._nodes)
        if (count > 64 and count % 16) or (count > 1024 and count % 256):
            return None  # two steady alignments: look again later
        here = self._nodes[-1].end
        recent = range(max(0, count - 64), count)
        values = {index: self._value(stream, self._nodes[index], here) for index in recent}
        top = max(values, key=lambda index: (values[index], -index))
        bar = values[top] - (MARGIN if self.anchor is not None else MARGIN_START)
        if bar < 0:
            return None
        root = self._nodes[top].root
        bars = {
            index: values[top] - MARGIN_STEADY if node.root != root and node.depth >= STEADY_FRAMES else bar
            for index, node in zip(recent, self._nodes[recent.start :], strict=True)
        }
        rivals = {index for index in recent if values[index] > bars[index] and index != top}
        if any(self._nodes[index].root != root for index in rivals):
            return None
        for place in stream.headers(self._nodes[-1].start + 1, here):
            under_way = FULL * (here - place) / FRAME_BYTES
            if self._begins_with(stream, place) + under_way > bar:
                return None
            for index in recent:
                if (node := self._nodes[index]).end > place or node.score + under_way + MOST_OF_GAP <= bars[index]:
                    continue
                if index in rivals or index == top:
                    continue
                if node.score + _gap(stream, node.sight, node.end, place, known=self.start) + under_way > bars[index]:
                    if node.root != root:
                        return None  # one is enough: in bytes full of headers there are hundreds
                    rivals.add(index)
        settled = self._shared(top, rivals)
        return self._verdict(settled) if settled >= 0 else None

    def _begins_with(self, stream: StreamBuffer, place: int) -> float:
        """What a chain that begins at a place has earned before it."""
        if self.anchor is None:
            return -BREAK
        return _gap(stream, self.anchor.sight, self.anchor.end, place, known=self.start)

    def _path(self, index: int) -> list[int]:
        path = []
        while index >= 0:
            path.append(index)
            index = self._nodes[index].before
        return path[::-1]

    def _shared(self, top: int, rivals: set[int]) -> int:
        """Index of the last node on the way to all of them, -1 for none."""
        path = self._path(top)
        depth = len(path)
        for rival in rivals:
            other = self._path(rival)
            same = 0
            for mine, theirs in zip(path[:depth], other, strict=False):
                if mine != theirs:
                    break
                same += 1
            depth = same
        return path[depth - 1] if depth else -1

    def _verdict(self, index: int, *, is_ambiguous: bool = False) -> SearchResult:
        path = [self._nodes[node] for node in self._path(index)]
        unlike: list[int] = []
        back: list[int] = []
        before: _Node | KnownFrame | None = self.anchor
        for node in path:
            # However much may have moved over a long gap: what is shifted must not pass for it.
            if before is not None and likeness(before.sight, node.sight) <= 0:
                is_back = before.steady is not None and likeness(before.steady, node.sight) > 0
                (back if is_back else unlike).append(node.start)
            before = node
        frames = [node.start for node in path]
        return SearchResult(frames, path[-1].end, is_ambiguous, True, tuple(unlike), tuple(back))

    def _decide(self, stream: StreamBuffer, place: int) -> SearchResult:
        """Take the best chain as it is; there is nothing more to wait for."""
        if not self._nodes:
            return SearchResult([], place)
        values = [self._value(stream, node, min(place, stream.end)) for node in self._nodes]
        top = max(range(len(values)), key=lambda index: (values[index], -index))
        if self._nodes[top].score < WORTH:
            return SearchResult([], place)
        root = self._nodes[top].root
        others = [value for value, node in zip(values, self._nodes, strict=True) if node.root != root]
        is_close = bool(others) and max(others) > values[top] - MARGIN_AMBIGUOUS
        # Behind a certain frame a short rival is a chance likeness; with nothing before it is a reading as good.
        is_rival = self.anchor is None or len(self._path(top)) > 2
        return self._verdict(top, is_ambiguous=is_close and is_rival)
