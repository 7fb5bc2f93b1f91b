"""One verdict and one page from recording, plan, answers and pulse outputs, for commands, screens and scripts."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING

from busbench.analysis.comparison import Comparison, compare
from busbench.bench.sources import is_virtual
from busbench.bench.surface_plan import answers_path
from busbench.capture.base import ReadOptions
from busbench.drive.surface_file import read_walk
from busbench.output_file import require_output, write_output
from busbench.report.compared import Compared
from busbench.rig.model import Rig
from busbench.verify.change_checks import check_changes
from busbench.verify.pulse_checks import check_pulses
from busbench.verify.result import Check, Verdict
from busbench.verify.surface_checks import check_walk, not_walked
from busbench.verify.verify import Verification, verify

if TYPE_CHECKING:
    from busbench.analysis.pulses import Pulses
    from busbench.analysis.recording import Recording
    from busbench.wire.edges import Edges


@dataclass(frozen=True, slots=True, eq=False)
class Baseline:
    """An earlier recording."""

    path: str  # its file
    recording: Recording  # all of it
    pulses: Pulses | None = None  # its pulse outputs, None if it holds none

    def compare(self, new: Recording, *, rig: Rig | None = None, pulses: Pulses | None = None) -> Comparison:
        """What changed to a new recording and its pulse outputs; see comparison.compare."""
        both = None if self.pulses is None or pulses is None else (self.pulses, pulses)
        return compare(self.recording, new, rig=rig, pulses=both)


KIND = "sign-off"


@dataclass(frozen=True, slots=True)
class Answers:
    """Answers of a walk, checked against a plan.

    Args:
        path: their file.
        checks: one per question.
        not_walked: names and reasons of devices not walked.
    """

    path: str
    checks: tuple[Check, ...]
    not_walked: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, eq=False)
class SignOff:
    """The verdict on an aircraft, with its inputs.

    Args:
        found: all checks, including those of answers and pulse outputs.
        answers: answers of a walk, None without.
        compared: this recording compared with an earlier one, None without.
    """

    found: Verification
    answers: Answers | None = None
    compared: Compared | None = None

    @property
    def verdict(self) -> Verdict:
        """Pass only if every check passed."""
        return self.found.verdict

    @property
    def is_virtual(self) -> bool:
        """True if the recording was made on a virtual receiver or aircraft."""
        return is_virtual(self.found.evidence.recording.info.source)

    def to_json(self) -> dict[str, object]:
        """Plain values."""
        return self.found.to_json() | {"is_virtual": self.is_virtual}

    def page(self, *, source: str, recording_path: str | None, rig_path: str) -> str:
        """Make the page to print and sign, as HTML.

        Args:
            source: recording or port, as given by the user.
            recording_path: file of the recording, None if none was kept.
            rig_path: the rig file.
        """
        from busbench.report.page import page_html
        from busbench.report.page_data import data_element
        from busbench.report.provenance import gather

        provenance = gather(
            source=source,
            recording_path=recording_path,
            rig_path=rig_path or self.found.evidence.rig.plan.name,
            is_virtual=is_virtual(source) or self.is_virtual,
        )
        left_out = None if self.answers is None else self.answers.not_walked
        data = data_element(self.figures(recording_path=recording_path, rig_path=rig_path))
        return page_html(self.found, provenance=provenance, not_walked=left_out, compared=self.compared, data=data)

    def figures(self, *, recording_path: str | None, rig_path: str) -> dict[str, object]:
        """The checks as plain values, with the hashes of their inputs; see page."""
        from busbench.report.provenance import sha256_of

        answers = None if self.answers is None else self.answers.path
        made: dict[str, object] = {
            "kind": KIND,
            "recording_sha256": None if recording_path is None else sha256_of(recording_path),
            "rig_sha256": sha256_of(rig_path),
            "answers_sha256": None if answers is None else sha256_of(answers),
            **self.to_json(),
        }
        if self.compared is not None:
            made["compared"] = self.compared.figures()
        return dict(json.loads(json.dumps(made)))  # as the reader of the page receives them

    def write_page(
        self,
        path: str | Path,
        *,
        source: str | None = None,
        rig_path: str = "",
        recording_path: str | None = None,
        force: bool = False,
    ) -> None:
        """Write the page to print and sign.

        Args:
            path: the new file.
            source: recording or port, as given by the user; by default the recording's own name.
            rig_path: the rig file; the page states its hash.
            recording_path: file of the recording; by default the source.
            force: True writes over a file that exists.

        Raises:
            OutputError: it exists, is one of the inputs, or cannot be written.
        """
        source = self.found.evidence.recording.info.path if source is None else source
        kept = source if recording_path is None else recording_path
        require_output(path, force=force, inputs=[one for one in (source, rig_path, kept) if one])
        text = self.page(source=source, recording_path=kept, rig_path=rig_path)
        write_output(path, text, force=force)


def find_answers(rig: Rig, *, rig_path: str | PathLike[str], path: str | PathLike[str] | None = None) -> Answers | None:
    """Find the answers for a plan: those named, else those that a walk kept in this folder for its rig file.

    Args:
        rig_path: the rig file; its stem is the name of the kept answers.
        path: the answers, if the user named them.

    Returns:
        None if none were named and none were kept; a kept file without any answer does not count.

    Raises:
        DriveError: they cannot be read.
        RigError: they belong to another aircraft.
    """
    wanted = answers_path(str(rig_path)) if path is None else Path(path)
    if path is None and not wanted.exists():
        return None
    saved = read_walk(wanted)
    if path is None and not any(entry.is_begun for entry in saved.entries):
        return None
    return Answers(str(wanted), tuple(check_walk(saved, rig, path=str(wanted))), not_walked(saved, rig))


def sign_off(
    recording: Recording,
    rig: Rig,
    *,
    answers: Answers | None = None,
    pulses: Pulses | None = None,
    baseline: Baseline | None = None,
) -> SignOff:
    """Check a recording against a plan, with answers and pulse outputs.

    Args:
        recording: recording of one test sequence.
        rig: the plan.
        answers: of a walk; see find_answers.
        pulses: pulse outputs recorded beside the bus; see pulse_outputs.
        baseline: an earlier recording: what has changed since fails.
    """
    more = () if pulses is None else check_pulses(pulses, rig)
    found = verify(recording, rig, more=tuple(more))
    return complete(found, answers=answers, baseline=baseline, pulses=pulses)


def complete(
    found: Verification, *, answers: Answers | None, baseline: Baseline | None, pulses: Pulses | None = None
) -> SignOff:
    """Checks of a recording, the answers of a walk, and what changed since an earlier recording as one verdict."""
    checks = found.checks + (() if answers is None else answers.checks)
    compared = None
    if baseline is not None:
        evidence = found.evidence
        changes = baseline.compare(evidence.recording, rig=evidence.rig, pulses=pulses)
        compared = Compared(baseline.path, changes)
        checks += tuple(check_changes(changes, old=compared.name))
    return SignOff(replace(found, checks=checks), answers, compared)


@dataclass(frozen=True, slots=True)
class RecordedLevels:
    """All signals of a level file, by their full names, and the one that was named as the bus."""

    signals: dict[str, Edges]
    bus: str | None

    def pulses(self, options: ReadOptions) -> Pulses | None:
        """The pulse outputs among them, None if none carries frames."""
        from busbench.analysis.pulses import find_pulses

        return find_pulses(self.signals, line=options.line, bus=self.bus)


def read_levels(source: str, options: ReadOptions) -> RecordedLevels | None:
    """Read a level file; None for other files (raises CaptureError: it cannot be read, or lacks the named signal)."""
    from busbench.capture.edges import read_edges
    from busbench.capture.open import open_levels

    file = None if source == "-" else open_levels(source)
    if file is None:
        return None
    return RecordedLevels(read_edges(file), None if options.signal is None else file.pick(options.signal))


def pulse_outputs(source: str, options: ReadOptions) -> Pulses | None:
    """The pulse outputs of a recording, None if it holds none beside the bus."""
    levels = read_levels(source, options)
    if levels is None or len(levels.signals) < 2:
        return None
    found = levels.pulses(options)
    return found if found is not None and found.lines else None
