"""The page of any recording: outages, timing and channels as text, tables and pictures in one HTML file."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import partial

import numpy as np

from busbench.analysis.channels import Channels
from busbench.analysis.outages import Outages
from busbench.analysis.pulses import Pulses
from busbench.analysis.recording import Recording
from busbench.analysis.several import Several, sentences
from busbench.analysis.timing import Timing
from busbench.errors import BusbenchError, pluralize
from busbench.model import F64, I64
from busbench.report.beside import Beside
from busbench.report.compared import Compared
from busbench.report.page_data import data_element
from busbench.report.pictures import (
    draw_channel,
    draw_histogram,
    draw_latency,
    draw_lateness,
    draw_outages,
    draw_periods,
    draw_receivers,
)
from busbench.report.provenance import Provenance
from busbench.rig.html import html_template
from busbench.verify.result import CAUTION, VIRTUAL
from busbench.wire.frame_spec import CHANNELS
from busbench.wire.scale import Scale

_LONG = 1.5  # periods: longer ones are gaps and not on the scale
_APART = 5.0  # periods without a frame after which a channel's line breaks
KIND = "recording"


class RecordingPage:
    """The contents of a recording's page, calculated once.

    Args:
        compared: the recording held against an earlier one.
        several: all receivers of a recording of several; the page is that of the first, and says what coincides.
        pulses: servo pulse outputs that were recorded beside the bus.
        timing: the timing, if a logic analyser measured it.
        analyser: path of the analyser's recording.
    """

    def __init__(
        self,
        recording: Recording,
        *,
        compared: Compared | None = None,
        several: Several | None = None,
        pulses: Pulses | None = None,
        timing: Timing | None = None,
        analyser: str = "",
    ) -> None:
        self.recording, self.compared, self.several, self.pulses = recording, compared, several, pulses
        self.outages: Outages = recording.outages()
        self.timing: Timing = recording.timing() if timing is None else timing
        self.beside = None if self.timing.against is None else Beside(analyser, self.timing.against)
        self.channels: Channels = recording.channels()
        start_ns = recording.span.first_t_ns or 0
        self.t_s: F64 = np.asarray((recording.frames.t_ns - start_ns) / 1e9, np.float64)
        last_ns = recording.span.last_t_ns or start_ns
        self._exact_ns, self._exact_s = self._without_lateness()
        self.end_s = max(self.outages.duration_s or 0.0, (last_ns - start_ns) / 1e9)

    @property
    def pictures(self) -> dict[str, Callable[[], str]]:
        """The pictures by name; empty if the recording cannot show one."""
        has_times = self.recording.clock.is_known and self.end_s > 0
        named: dict[str, Callable[[], str]] = {
            "receivers": lambda: "" if self.several is None else draw_receivers(self.several),
            "outages": lambda: draw_outages(self.outages.events, self.end_s) if has_times else "",
            "histogram": lambda: draw_histogram(self.timing, self._exact_ns),
            "periods": lambda: self._periods() if has_times else "",
            "lateness": self._lateness,
        }
        for number, line in enumerate(() if self.pulses is None else self.pulses.lines, start=1):
            if line.latency is not None:
                named[f"latency-{number}"] = partial(draw_latency, line.name, line.latency)
        for one in self.channels.channels if has_times else ():
            named[f"channel-{one.channel}"] = lambda channel=one.channel: self._channel(channel)  # type: ignore[misc]
        return named

    def picture(self, name: str) -> str:
        """One picture as an SVG element (raises BusbenchError: unknown name, or the recording cannot show it)."""
        made = self.pictures.get(name, lambda: "")()
        if not made:
            names = ", ".join(one for one, draw in self.pictures.items() if draw())
            hint = f"give one of {names}" if names else "it has no times, and so no pictures"
            raise BusbenchError(f"--svg: there is no picture {name} of this recording", hint=hint)
        return made

    def figures(self, *, sha256: str | None) -> dict[str, object]:
        """The figures of the commands as plain values, with the hashes of their inputs."""
        made: dict[str, object] = {
            "kind": KIND,
            "recording_sha256": sha256,
            "outages": self.outages.to_json(),
            "timing": self.timing.to_json(),
            "channels": self.channels.to_json(),
            **self.recording.info.origin.to_json(),
        }
        if self.pulses is not None:
            made["pulses"] = self.pulses.to_json()
        if self.beside is not None:
            made["analyser_sha256"] = self.beside.sha256
        if self.several is not None:
            made["several"] = self.several.to_json()
        if self.compared is not None:
            made["compared"] = self.compared.figures()
        return dict(json.loads(json.dumps(made)))  # as the reader of the page receives them

    def html(self, provenance: Provenance) -> str:
        """The page; all text from files and users is escaped."""
        from markupsafe import Markup

        info, scale = self.recording.info, Scale()
        drawn = {name: Markup(draw()) for name, draw in self.pictures.items()}
        figures = self.figures(sha256=provenance.recording_sha256)
        return html_template("busbench.report", "recording.html").render(
            provenance=provenance, info=info, outages=self.outages, caution=CAUTION,
            outage_words=list(self._outage_words()), timing_words=list(self._timing_words()),
            rows=list(self._rows(scale)), seconds=_seconds,
            scale=f"{scale.centre_us:g} µs at {scale.centre_counts:g} counts, {scale.us_per_count:g} µs a count",
            timeline=drawn["outages"], histogram=drawn["histogram"], periods=drawn["periods"],
            beside=self.beside, analyser_sha256=figures.get("analyser_sha256"), lateness=drawn["lateness"],
            traces=[(name.replace("-", " "), made) for name, made in drawn.items() if name.startswith("channel-")],
            pulses=list(self._pulse_rows()), pulse_skews=list(self._skew_words()),
            latencies=[(self._output(name), made) for name, made in drawn.items() if name.startswith("latency-")],
            virtual=VIRTUAL if provenance.is_virtual else "", compared=self.compared,
            several=self.several, receivers=drawn["receivers"], several_words=list(self._several_words()),
            data=Markup(data_element(figures)),
        )  # fmt: skip

    def _several_words(self) -> Iterator[str]:
        for line in [] if self.several is None else sentences(self.several):
            yield f"{line[0].upper()}{line[1:]}."

    def _output(self, picture: str) -> str:
        assert self.pulses is not None
        return self.pulses.lines[int(picture.rpartition("-")[2]) - 1].name

    def _pulse_rows(self) -> Iterator[tuple[str, ...]]:
        for line in () if self.pulses is None else self.pulses.lines:
            late: tuple[str, ...] = ("–",) * 4
            if line.latency is not None:
                late = tuple(f"{value * 1e3:.3f}" for value in line.latency.to_json().values())
            channel = "–" if line.fit is None else str(line.fit.channel)
            yield (line.name, channel, str(line.pulses), *late, line.note)

    def _skew_words(self) -> Iterator[str]:
        for skew in () if self.pulses is None else self.pulses.skews:
            if skew.median_s is not None:
                yield f"{skew.sources[1]} shows the same frame {skew.median_s * 1e3:.3f} ms after {skew.sources[0]}."

    def _outage_words(self) -> Iterator[str]:
        found = self.outages
        lasted = "" if found.duration_s is None else f" in {found.duration_s:.3f} s"
        yield f"{pluralize(found.frames, 'frame')}{lasted}, {found.expected:,} due."
        if found.missed_ratio is not None:
            upper = f"95 % upper confidence limit {100 * found.missed_ratio_upper95:.3g} %"
            yield f"{found.missed:,} missed, all causes together: {100 * found.missed_ratio:.3g} %, {upper}."
        for note in found.notes:
            yield f"{note[0].upper()}{note[1:]}."

    def _timing_words(self) -> Iterator[str]:
        if self.timing.period_mean_s is not None:
            yield f"A frame every {1e3 * self.timing.period_mean_s:.6g} ms on average."
        if self.timing.note:
            yield f"{self.timing.note[0].upper()}{self.timing.note[1:]}."

    def _rows(self, scale: Scale) -> Iterator[tuple[str, ...]]:
        for one in self.channels.channels:
            if one.channel > CHANNELS:
                states = ("on" if value else "off" for value in (one.min_counts, one.max_counts))
                yield (str(one.channel), *states, f"{100 * one.mean_counts:.1f} % on", "–", "–", str(one.moves), "–")
                continue
            low, high = (float(scale.to_us(value)) for value in (one.min_counts, one.max_counts))
            noise = "–" if one.still_noise_counts is None else f"{one.still_noise_counts:.2f}"
            yield (
                str(one.channel), str(one.min_counts), str(one.max_counts), f"{one.mean_counts:.1f}",
                f"{low:.0f}…{high:.0f}", noise, str(one.moves), str(one.glitches),
            )  # fmt: skip

    def _periods(self) -> str:
        period_s = self.timing.period_mean_s
        return "" if period_s is None else draw_periods(self._exact_s, self.end_s, most_s=_LONG * period_s)

    def _lateness(self) -> str:
        late = None if self.beside is None else self.beside.lateness
        return "" if late is None else draw_lateness(self.t_s[late.row], late.late_ns / 1e9, self.end_s)

    def _without_lateness(self) -> tuple[I64, F64]:
        """Times by which the timing was measured, in ns, and in seconds from the first byte."""
        late = None if self.beside is None else self.beside.lateness
        if late is None:
            return self.recording.frames.t_ns, self.t_s
        exact_ns = self.recording.frames.t_ns[late.row] - np.rint(late.late_ns).astype(np.int64)
        return exact_ns, self.t_s[late.row] - late.late_ns / 1e9

    def _channel(self, channel: int) -> str:
        frames = self.recording.frames
        good = ~frames.suspect
        if channel > CHANNELS:
            values = (frames.flags[good] >> (channel - CHANNELS - 1) & 1).astype(np.int16)
        else:
            values = frames.channels[good, channel - 1].astype(np.int16)
        gap_s = _APART * (self.timing.period_mean_s or self.outages.period_s or self.end_s)
        return draw_channel(f"channel {channel}", self.t_s[good], values, self.end_s, gap_s=gap_s)


def _seconds(value: float | None) -> str:
    return "–" if value is None else f"{value:.3f}"
