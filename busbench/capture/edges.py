"""Bytes from files of level changes: the common part of VCD and level CSV."""

from __future__ import annotations

import abc
import contextlib
from collections.abc import Collection, Iterator

import numpy as np

from busbench.capture.base import Capture, CaptureInfo, ReadOptions
from busbench.capture.frames import carries_frames
from busbench.errors import CaptureError, pluralize, sanitize
from busbench.line import LineSettings
from busbench.model import ByteLog, Clock, ClockKind, set_readonly
from busbench.wire.edges import Edges
from busbench.wire.uart import LineBytes, LineDecoder, LineFault, decode_line

NAME_MOST = 40  # max characters of a name shown
_TRIED_MOST = 64
_BREAKS_MOST = 10_000  # held until a character follows
_JUDGED_EDGES = 2_000  # changes that hold frames, if a signal carries any
_OFF_NOMINAL_PPM = 5_000  # clocks of receivers are closer to nominal


class LevelFile(abc.ABC):
    """Levels of one or several signals, read in pieces.

    Args:
        path: as given by the user.
        names: full names of the signals, in the file's order.
        resolution_ns: the smallest step of the times.
        notes: what was wrong; complete when pieces() ends.
    """

    path: str
    format: str
    names: tuple[str, ...]
    resolution_ns: int
    notes: list[str]

    @abc.abstractmethod
    def pieces(self, names: Collection[str]) -> Iterator[dict[str, Edges]]:
        """Read the named signals from the start, in pieces by time.

        Raises:
            CaptureError: nothing (more) can be read; all good edges were yielded before.

        Returns:
            Pieces; a signal is absent while its level is unknown.
        """

    def pick(self, wanted: str) -> str:
        """Full name of a signal, given its name, last part or number (raises CaptureError: none, or several)."""
        if wanted in self.names:
            return wanted
        found = [name for name in self.names if name.rpartition(".")[2] == wanted]
        if not found and wanted.isascii() and wanted.isdigit() and 1 <= int(wanted) <= len(self.names):
            return self.names[int(wanted) - 1]
        if len(found) == 1:
            return found[0]
        what = f'has {"several signals" if found else "no signal"} "{sanitize(wanted, most=NAME_MOST)}"'
        raise CaptureError(self.path, what, hint=f"it has {self.listed(found or self.names)}")

    def listed(self, names: Collection[str]) -> str:
        """List names for people."""
        shown = [sanitize(name, most=NAME_MOST) for name in names]
        return ", ".join(shown if len(shown) <= 8 else [*shown[:8], f"and {len(shown) - 8} more"])


def read_edges(file: LevelFile) -> dict[str, Edges]:
    """All edges of all signals; file.notes says if the file breaks off (raises CaptureError: nothing could be read)."""
    parts: dict[str, list[Edges]] = {name: [] for name in file.names}
    try:
        for piece in file.pieces(file.names):
            for name, edges in piece.items():
                parts[name].append(edges)
    except CaptureError as error:
        if not any(len(edges) for some in parts.values() for edges in some):
            raise
        file.notes.append(error.note)
    return {name: Edges.join(some) for name, some in parts.items() if some}


class LevelCapture(Capture):
    """The bytes on one signal of a level file, each with the time of its start edge."""

    def __init__(self, file: LevelFile, options: ReadOptions) -> None:
        self._file, self._line = file, options.line
        self._choice_note = ""
        self._name = file.pick(options.signal) if options.signal is not None else self._choose()
        clock = Clock(ClockKind.PER_BYTE, file.resolution_ns)
        self.info = CaptureInfo(file.path, file.format, clock, None, sanitize(self._name, most=NAME_MOST))
        self._fill_notes(None)

    def blocks(self) -> Iterator[ByteLog]:
        """Read the bytes from the start of the file, as Capture says; a signal with breaks alone has none."""
        logs, breaks = self._logs(), list[ByteLog]()
        for log in logs:
            breaks.append(log)
            if not _is_break(log) or sum(map(len, breaks)) >= _BREAKS_MOST:
                yield from breaks
                yield from logs
                return
        what = f'signal "{self.info.source}" carries no characters ({pluralize(self._changes, "change")} of level)'
        others = self._others(self._name)
        hint = f"name another with --signal: {others}" if others else "check where the probe was"
        raise CaptureError(self._file.path, what, hint=hint)

    def _logs(self) -> Iterator[ByteLog]:
        decoder = LineDecoder(line=self._line)
        offset = self._changes = 0
        broken: CaptureError | None = None
        try:
            for piece in self._file.pieces([self._name]):
                edges = piece.get(self._name)
                if edges is None:
                    continue
                self._changes += len(edges)
                found = decoder.feed(edges)
                if len(found):
                    yield _log(found, offset)
                    offset += len(found)
        except CaptureError as error:
            broken = error
        found = decoder.flush()
        if len(found):
            yield _log(found, offset)
            offset += len(found)
        self._fill_notes(decoder if offset else None)
        if broken is not None:
            raise broken

    def _choose(self) -> str:
        """The signal that carries frames; else the one with the most good characters."""
        names = self._file.names
        if len(names) == 1:
            return names[0]
        waiting: dict[str, list[Edges]] = {name: [] for name in names}
        sound = dict.fromkeys(names, 0)
        chosen = ""
        with contextlib.suppress(CaptureError):  # reported when it is read
            for piece in self._file.pieces(names):
                for name, edges in piece.items():
                    waiting[name].append(edges)
                chosen = self._carrier(waiting, sound, least=_JUDGED_EDGES)
                if chosen:
                    break
        chosen = chosen or self._carrier(waiting, sound, least=1)
        why = "which carries frames"
        if not chosen:
            chosen = max(names, key=lambda name: sound[name])
            why = "on which most characters are sound" if sound[chosen] > 0 else "though none carries frames"
        self._choice_note = (
            f'signal "{sanitize(chosen, most=NAME_MOST)}" of {len(names)} was taken, {why};'
            f" --signal names another: {self._others(chosen)}"
        )
        return chosen

    def _others(self, chosen: str) -> str:
        return self._file.listed([name for name in self._file.names if name != chosen])

    def _carrier(self, waiting: dict[str, list[Edges]], sound: dict[str, int], *, least: int) -> str:
        """The first signal with frames among those with enough changes, else ""; frees the changes."""
        ready = {name: n for name, parts in waiting.items() if (n := sum(map(len, parts))) >= least}
        # of very many signals, those that change most: the bus always changes
        for name in sorted(ready, key=lambda name: -ready[name])[:_TRIED_MOST]:
            found = decode_line(Edges.join(waiting[name]), line=self._line)
            waiting[name].clear()
            sound[name] += len(found) - 2 * int(np.count_nonzero(found.bad))
            if carries_frames(found.data):
                return name
        return ""

    def _fill_notes(self, decoder: LineDecoder | None) -> None:
        notes = [self._choice_note] if self._choice_note else []
        if decoder is not None:
            if decoder.fits is not None:
                notes.append(_misfit(self._line, decoder.fits))
            if decoder.inverted != self._line.inverted:
                notes.append(f"the line idles {'low' if decoder.inverted else 'high'}: inverted polarity")
            ppm = (decoder.bit_ns * self._line.baud / 1e9 - 1) * 1e6
            if abs(ppm) > _OFF_NOMINAL_PPM:
                notes.append(f"a bit lasts {decoder.bit_ns / 1000:.3f} µs, {ppm / 1e4:+.1f} % from nominal")
        self.info.notes[:] = notes + self._file.notes


def _is_break(log: ByteLog) -> bool:
    """True if no byte of it is a character: the line stays at space for longer than one lasts."""
    return log.bad is not None and bool((log.bad & LineFault.BREAK).all())


def _misfit(asked: LineSettings, fits: LineSettings) -> str:
    """The difference between the settings asked for and those that explain the line."""
    parity = {"E": "even parity", "O": "odd parity", "N": "no parity"}[fits.parity]
    options = [f"--parity {fits.parity}"] if fits.parity != asked.parity else []
    options += [f"--stop-bits {fits.stop_bits}"] if fits.stop_bits != asked.stop_bits else []
    return (
        f"the line is {_short(fits)} ({parity}, {pluralize(fits.stop_bits, 'stop bit')}) but was read as"
        f" {_short(asked)}: give {' '.join(options)}"
    )


def _short(line: LineSettings) -> str:
    return f"8{line.parity}{line.stop_bits}"


def _log(found: LineBytes, offset: int) -> ByteLog:
    ends = np.arange(offset + 1, offset + len(found) + 1)
    bad = found.bad if found.bad.any() else None
    set_readonly(found.data, ends, found.t_ns, bad)
    return ByteLog(offset, found.data, ends, found.t_ns, bad)
