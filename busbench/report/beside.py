"""The part of a page that says how late an adapter was, by a logic analyser's recording of the same line."""

from __future__ import annotations

from dataclasses import dataclass

from busbench.analysis.clock_alignment import ClockAlignment, Lateness
from busbench.analysis.clock_text import CLOCK_HEAD, LATENESS_HEAD, clock_rows, lateness_row
from busbench.errors import pluralize
from busbench.report.provenance import bare_name, sha256_of


@dataclass(frozen=True, slots=True)
class Beside:
    """What a logic analyser's recording shows of an adapter."""

    path: str  # the analyser's recording, as the person gave it
    found: ClockAlignment

    @property
    def name(self) -> str:
        """The file without its folders."""
        return bare_name(self.path)

    @property
    def lateness(self) -> Lateness | None:
        """How late each frame's time is, None if that is not known."""
        return self.found.lateness

    @property
    def sentence(self) -> str:
        """How many frames both show, and why no more is known."""
        note = f"{self.found.note[:1].upper()}{self.found.note[1:]}." if self.found.note else ""
        return f"{pluralize(self.found.frames, 'frame')} in both recordings. {note}".rstrip()

    @property
    def tables(self) -> list[tuple[tuple[str, ...], list[list[str]]]]:
        """Head and rows of the clocks, and of the lateness; none if they are not known."""
        rows = clock_rows(self.found)
        return [(CLOCK_HEAD, rows), (LATENESS_HEAD, [lateness_row(self.found)])] if rows else []

    @property
    def sha256(self) -> str | None:
        """Hash of the analyser's recording."""
        return sha256_of(self.path)
