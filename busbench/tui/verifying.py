"""Check a recording in the background, and write the page of this or of a guided check."""

from __future__ import annotations

import sys
from pathlib import Path
from shlex import join
from subprocess import list2cmdline

from busbench.bench.check_session import CheckSession
from busbench.bench.sign_off import SignOff, find_answers, pulse_outputs, sign_off
from busbench.errors import BusbenchError, require_kind
from busbench.line import BUS_LINE
from busbench.output_file import write_output
from busbench.rig.model import Rig
from busbench.tui.new_file import free_name, require_new
from busbench.tui.replay import ReplaySession
from busbench.tui.session import Session


class RecordedCheck:
    """The check of a recording; `work` is slow and runs in a thread."""

    def __init__(self, session: ReplaySession, rig: Rig, *, rig_path: str) -> None:
        self._session, self._rig, self._rig_path = session, rig, rig_path
        self.done: SignOff | None = None
        self.error = ""

    def work(self) -> None:
        """Read the recording and run the checks."""
        try:
            answers = find_answers(self._rig, rig_path=self._rig_path)
            pulses = pulse_outputs(self._session.path, self._session.options)
            recording = self._session.read_whole()
        except BusbenchError as error:
            self.error = str(error)
            return
        self.done = sign_off(recording, self._rig, answers=answers, pulses=pulses)


def command_words(work: CheckSession | RecordedCheck, session: Session, *, rig_path: str) -> str:
    """The command that writes the same page, ready to type; empty without a recording file."""
    options: list[str] = []
    if isinstance(work, CheckSession):
        source = work.recording_path
    else:
        assert isinstance(session, ReplaySession)
        source, given = session.path, session.options
        named = (("interface", given.interface), ("usb-device", given.usb_device), ("signal", given.signal))
        options = [part for name, value in named if value is not None for part in (f"--{name}", value)]
        if given.line != BUS_LINE:
            line = given.line
            options += ["--baud", str(line.baud), "--parity", line.parity, "--stop-bits", str(line.stop_bits)]
    if not source or source == "-" or not rig_path:
        return ""
    page = free_name(str(Path(source).with_suffix(".html")))
    words = ["busbench", "verify", source, "--rig", rig_path, *options, "--report", page]
    return list2cmdline(words) if sys.platform == "win32" else join(words)


def write_page(work: CheckSession | RecordedCheck, path: str, *, source: str, rig_path: str) -> str:
    """Write the page to print and sign to a new file.

    It includes kept answers of a walk for this rig file.

    Raises:
        BusbenchError: it exists, or cannot be written.
    """
    done = work.done
    if done is None:
        raise BusbenchError("there is no page before the end")
    require_kind(path, suffix=".html", what="HTML", then="a browser prints it to PDF")
    require_new(path)
    kept, beside = (source if Path(source).is_file() else None), ""
    if done.answers is not None:
        beside = f", with the answers of {done.answers.path}"
    if isinstance(work, CheckSession):
        kept = work.recording_path
        beside += f", of the recording {kept}" if kept else ", without a recording"
    write_output(path, done.page(source=source, recording_path=kept, rig_path=rig_path))
    return f"wrote {path} (page to print and sign{beside})"
