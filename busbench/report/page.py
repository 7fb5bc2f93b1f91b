"""The sign-off page: one self-contained HTML document without scripts that prints on A4."""

from __future__ import annotations

from dataclasses import dataclass

from busbench.errors import RigError, pluralize
from busbench.report.compared import Compared
from busbench.report.pictures import draw_histogram, draw_outages, draw_trace
from busbench.report.power_picture import WEAKEST, draw_harness
from busbench.report.provenance import Provenance, bare_name
from busbench.rig.finding import fault
from busbench.rig.html import html_template
from busbench.rig.motors import motor_rests
from busbench.rig.power import MOVING, power_cases
from busbench.rig.sheet import setup_steps
from busbench.rig.weakest import find_weakest
from busbench.verify.channel_checks import ALONE, DIRECTION, HIGH_END, LOW_END, NOISE, REST
from busbench.verify.failsafe_checks import VALUE
from busbench.verify.inputs import ChannelPlan
from busbench.verify.result import ON_OFF, VIRTUAL, Check, Verdict
from busbench.verify.verify import Verification

MARKS = {Verdict.PASS: "✓ pass", Verdict.FAIL: "✗ FAIL", Verdict.NOT_TESTED: "○ not tested"}
CAUTIONS = (
    "A bench check is no proof of airworthiness. It looked at signals on one day, in one place, with propellers off.",
    "Local rules and laws for model aircraft come first. Ask your club's safety officer.",
    "Before every flight: a range check with the motor off and on, and a control check, each surface the right way.",
    "What is marked not tested was not tested. After any change of wiring, settings or devices, check again.",
)
SIGN_LABELS = (
    "Registration or serial number", "Receiver, firmware", "Transmitter, model memory",
    "Remarks",
    "Name and function", "Place and date", "Signature",
)  # fmt: skip
_COLUMNS = (REST, LOW_END, HIGH_END, DIRECTION, ALONE, NOISE, VALUE)
_PARTS = {
    "plan": "The plan itself", "line": "The line", "channel": "Channels", "failsafe": "Failsafe",
    "power-up": "Power-up",
    "pulse": "Pulse outputs", "walk": "Walk round the surfaces",
    "change": "Since the earlier recording",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class ChannelRow:
    """A row of the channel table: its checks by column, None without a check."""

    mapped: ChannelPlan
    cells: tuple[Check | None, ...]
    trace: str


def cell_text(check: Check | None) -> str:
    """The cell of a check: its mark and the value found."""
    if check is None:
        return "–"
    mark = MARKS[check.verdict].split(" ")[0]
    if check.verdict is Verdict.NOT_TESTED:
        return f"{mark} not tested"
    if check.measured is None:
        return f"{mark} {'yes' if check.verdict is Verdict.PASS else 'no'}"
    if check.unit == ON_OFF:
        return f"{mark} {'on' if check.measured else 'off'}"
    return f"{mark} {check.measured:.4g}"


def margin_text(check: Check) -> str:
    """Limit and margin of a check, for people; for an on/off channel the planned state."""
    if check.unit == ON_OFF and check.expected is not None:
        return f"planned {'on' if check.expected else 'off'}"
    if check.limit is None:
        return ""
    plan = f"{_digits(check.expected)} ± " if check.expected is not None else ""
    margin = f", margin {_digits(check.margin, sign='+')}" if check.margin is not None else ""
    return f"limit {plan}{_digits(check.limit)} {check.unit}{margin}"


def _digits(value: float, *, sign: str = "") -> str:
    """A value with three digits, or all digits before the point."""
    return f"{round(value):{sign},}" if abs(value) >= 100 else f"{value:{sign}.3g}"


def page_html(
    found: Verification,
    *,
    provenance: Provenance,
    not_walked: tuple[tuple[str, str], ...] | None = None,
    compared: Compared | None = None,
    data: str = "",
) -> str:
    """Make the page.

    Args:
        provenance: their origin.
        not_walked: names and reasons of devices not walked, None without answers of a walk.
        compared: comparison with an earlier recording.
        data: the figures as an HTML element; see page_data.

    Returns:
        One HTML document; all text from files and users is escaped.
    """
    from markupsafe import Markup  # only pages need it

    evidence, rig = found.evidence, found.evidence.rig

    def picture(svg: str) -> Markup:
        return Markup(svg)

    rows = [
        ChannelRow(
            mapped,
            tuple(_find(found, mapped.channel, column) for column in _COLUMNS),
            picture(draw_trace(evidence, mapped, found.control_moves.get(mapped.control), found.loss)),
        )
        for mapped in found.channels
    ]
    timeline = draw_outages(evidence.outages.events, evidence.end_s, off=found.loss) if evidence.clock.is_known else ""
    harness, weakest, worst_case, findings = "", None, None, found.findings
    try:
        cases = power_cases(rig)
        weakest = find_weakest(rig)
        worst_case = next(case for case in cases if case.case == (weakest.case if weakest else MOVING))
        harness = draw_harness(rig, worst_case, {weakest.lead_to: WEAKEST} if weakest else {}).svg()
    except RigError as error:
        what = str(RigError(bare_name(error.path), error.key, error.problem, hint=error.hint))
        unreckoned = fault("harness", what, "voltages cannot be calculated", "correct the rig file")
        findings = (*found.faults, unreckoned, *(one for one in findings if one not in found.faults))
    return html_template("busbench.report", "page.html").render(
        found=found, rig=rig, evidence=evidence, recording=evidence.recording, provenance=provenance,
        verdict=MARKS[found.verdict], marks=MARKS, parts=_PARTS, cautions=CAUTIONS, sign_labels=SIGN_LABELS,
        rows=rows, columns=_COLUMNS,
        failed=[check for check in found.checks if check.verdict is Verdict.FAIL],
        untested=[check for check in found.checks if check.verdict is Verdict.NOT_TESTED],
        counts={verdict: found.count(verdict) for verdict in Verdict}, Verdict=Verdict,
        histogram=picture(draw_histogram(evidence.timing, evidence.recording.frames.t_ns, plan_ms=rig.plan.period_ms)),
        timeline=picture(timeline),
        harness=picture(harness), weakest=weakest, worst_case=worst_case, findings=findings,
        steps=setup_steps(rig), motors={rest.name for rest in motor_rests(rig)},
        cell_text=cell_text, margin_text=margin_text, data=picture(data),
        not_walked=not_walked, compared=compared, counted=pluralize, unplanned_words=found.unplanned_words,
        virtual=VIRTUAL if provenance.is_virtual else "",
    )  # fmt: skip


def _find(found: Verification, channel: int, name: str) -> Check | None:
    return next((check for check in found.checks if check.channel == channel and check.name == name), None)
