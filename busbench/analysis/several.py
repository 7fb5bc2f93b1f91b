"""Several recordings of the same time: the outages of each, and which coincide, in figures and in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from busbench.analysis.coincidence import Coincidence, find_coincidence
from busbench.analysis.notebook import html_of
from busbench.analysis.outages import Outages
from busbench.analysis.recording import Recording, RecordingTimes, read_timeline
from busbench.analysis.skew import ContentChanges, Skew, find_skew
from busbench.capture.base import Capture, CaptureInfo
from busbench.errors import CaptureError, pluralize, sanitize, seconds
from busbench.line import BUS_LINE, LineSettings
from busbench.wire.table import AlignmentResult

_PERIOD_NS = 14e6  # if no source has one
NAME_MOST = 28
_WORDS = {
    "yes": "yes: no more coincide than by chance",
    "no": "no: more coincide than chance explains: look for a common cause",
    "cannot tell": "unknown: too few outages came",
}


@dataclass(frozen=True)
class SourceOutages:
    """The outages of one of several recordings.

    Args:
        name: the name in the results.
        timeline: its recording, without the frames' bytes.
        changes: the times at which its channels changed.
    """

    name: str
    timeline: RecordingTimes
    changes: ContentChanges

    @property
    def info(self) -> CaptureInfo:
        """What the recording says of itself."""
        return self.timeline.info

    @cached_property
    def outages(self) -> Outages:
        """Its outages."""
        return self.timeline.outages()


@dataclass(frozen=True)
class Several:
    """Recordings of the same time.

    Args:
        sources: at least two.
    """

    sources: tuple[SourceOutages, ...]

    @cached_property
    def has_dates(self) -> bool:
        """True if all have a start date; without one they are assumed to start together."""
        return all(one.info.start_utc_ns is not None for one in self.sources)

    @cached_property
    def begins_ns(self) -> tuple[int, ...]:
        """Start of each, in ns from the earliest start."""
        if not self.has_dates:
            return (0,) * len(self.sources)
        begins = [(one.info.start_utc_ns or 0) + (one.timeline.span.first_t_ns or 0) for one in self.sources]
        heard = [begin for begin, one in zip(begins, self.sources, strict=True) if one.timeline.span.bytes_total]
        zero = min(heard or begins)
        return tuple(max(0, begin - zero) for begin in begins)

    @property
    def placed(self) -> list[tuple[int, SourceOutages]]:
        """Each with its begin in ns from the begin of the earliest."""
        return list(zip(self.begins_ns, self.sources, strict=True))

    @cached_property
    def coincidence(self) -> Coincidence:
        """Which outages coincide."""
        lengths = [one.outages.duration_s for one in self.sources]
        placed = list(zip(self.begins_ns, lengths, self.sources, strict=True))
        whole_ns = max((begin + round((length or 0) * 1e9) for begin, length, _ in placed), default=0)
        outages, spans = [], []
        for begin, length, one in placed:
            if length is None:  # no bytes: out all the time
                outages.append(np.array([[0, whole_ns]], np.int64))
                spans.append((0, whole_ns))
                continue
            times = [(event.start_s, event.end_s) for event in one.outages.events]
            rows = np.array([time for time in times if None not in time], np.float64).reshape(-1, 2)
            outages.append(np.rint(rows * 1e9).astype(np.int64) + begin)
            spans.append((begin, begin + round(length * 1e9)))
        periods = [one.outages.period_s for one in self.sources if one.outages.period_s is not None]
        return find_coincidence(outages, spans, period_ns=max(periods, default=_PERIOD_NS / 1e9) * 1e9)

    @cached_property
    def skews(self) -> tuple[Skew[int], ...]:
        """The skew of each against the first."""
        made = []
        first_ns = self.sources[0].timeline.span.first_t_ns or 0
        for number, one in enumerate(self.sources[1:], start=1):
            own_ns = one.timeline.span.first_t_ns or 0
            shift_ns = self.begins_ns[number] - own_ns - (self.begins_ns[0] - first_ns)
            made.append(find_skew(self.sources[0].changes, one.changes, sources=(0, number), shift_ns=shift_ns))
        return tuple(made)

    @property
    def notes(self) -> tuple[str, ...]:
        """The limits of the figures, one sentence each."""
        return () if self.has_dates else ("no dates are known: the recordings are taken to begin together",)

    def to_json(self) -> dict[str, object]:
        """Plain values with units in the keys."""
        sources = [
            {"name": one.name, "begin_s": begin / 1e9, **one.outages.to_json(), **one.info.origin.to_json()}
            for one, begin in zip(self.sources, self.begins_ns, strict=True)
        ]
        return {
            "sources": sources,
            **self.coincidence.to_json(),
            "skew": [one.to_json() for one in self.skews],
            "note": "; ".join(self.notes) or None,
        }

    def _repr_html_(self) -> str:
        return html_of(self.to_json())


def read_several(
    captures: Sequence[Capture], *, line: LineSettings = BUS_LINE, on_block: Callable[[int], None] | None = None
) -> Several:
    """Read recordings of the same time.

    Args:
        captures: two or more, each with times.
        line: line settings, for the time of a character.
        on_block: called with the number of frames so far.

    Raises:
        CaptureError: one cannot be read, has no times, or has no date while others have one.
    """
    sources, count = [], 0
    names = _names([capture.info for capture in captures])
    has_dates = [capture.info.start_utc_ns is not None for capture in captures]
    for capture, name in zip(captures, names, strict=True):
        info, changes = capture.info, ContentChanges()
        if not info.clock.is_known:
            raise CaptureError(info.path, "has no times to lay beside the others", hint="record with times")
        if any(has_dates) and info.start_utc_ns is None:
            what = "has no date to lay it beside the others"
            raise CaptureError(info.path, what, hint="record all of them with `busbench record`")

        def tell(frames: int, before: int = count) -> None:
            if on_block is not None:
                on_block(before + frames)

        def collect(found: AlignmentResult, changes: ContentChanges = changes) -> None:
            changes.feed(found.frames)

        timeline = read_timeline(capture, line=line, on_block=tell, on_found=collect)
        count += len(timeline.times)
        sources.append(SourceOutages(name, timeline, changes))
    return Several(tuple(sources))


def lay_beside(recordings: Sequence[Recording]) -> Several:
    """Compare the outages of recordings of the same time, as `outages` of several sources does.

    Args:
        recordings: two or more, as from read_recordings.

    Returns:
        The outages of each, which of them coincide, and whether by chance.
    """
    sources = []
    for name, one in zip(_names([one.info for one in recordings]), recordings, strict=True):
        changes = ContentChanges()
        changes.feed(one.frames)
        sources.append(SourceOutages(name, one.timeline, changes))
    return Several(tuple(sources))


def _names(infos: Sequence[CaptureInfo]) -> list[str]:
    """A name for each: unit, port or file, the first of these that distinguishes all."""
    choices = [[one.origin.unit or one.source or one.path for one in infos], [one.source for one in infos]]
    choices += [[one.path for one in infos], [f"{number}: {one.source}" for number, one in enumerate(infos)]]
    return next(names for names in choices if len({*names}) == len(names) and all(names))


def sentences(found: Several) -> list[str]:
    """What coincides, a sentence each."""
    one = found.coincidence
    if one.end_s <= one.start_s:
        return ["the recordings have no time in common"]
    lines = [
        f"no receiver: {seconds(one.uncovered_s)} in all, {seconds(one.longest_uncovered_s)} at most at once;"
        f" {seconds(one.expected_by_chance_s)} expected by chance",
        f"independent: {_WORDS[one.independent]}; {one.counts} (p = {one.p_value:.2g})",
    ]
    for skew in found.skews:
        later, first = (sanitize(found.sources[number].name, most=NAME_MOST) for number in reversed(skew.sources))
        if skew.median_s is None or skew.low_s is None or skew.high_s is None:
            lines.append(f"skew of {later} to {first}: unknown: too few changes that both show")
        else:
            lines.append(
                f"skew of {later} to {first}: {skew.median_s * 1e3:+.2f} ms (5 to 95 %: {skew.low_s * 1e3:+.2f} to"
                f" {skew.high_s * 1e3:+.2f} ms, {pluralize(skew.matches, 'change')})"
            )
    return lines + [f"note: {note}" for note in found.notes]
