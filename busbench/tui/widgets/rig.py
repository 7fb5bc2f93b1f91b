"""The plan as a tree with voltage and current, a load case at a time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from busbench.errors import BusbenchError, sanitize
from busbench.rig.conductor import REFERENCE_C
from busbench.rig.model import SUPPLY, Rig
from busbench.rig.power import MOVING, LoadCase, WarningKind, power_cases
from busbench.rig.weakest import Weakest, find_weakest
from busbench.rig.wiring_tree import LINES, LINES_ASCII, TreeRow, branch_titles, layout_tree
from busbench.tui.app_state import AppState
from busbench.tui.empty import NEEDS_PLAN, empty_lines
from busbench.tui.text import Line, beside, fit, width_of, wrapped
from busbench.tui.widgets.frame import apart
from busbench.tui.widgets.line_widget import LineWidget
from busbench.tui.widgets.rig_diagram import Node, diagram_lines

LOW, OVER, LEAST = "LOW", "OVER", "weakest"
_STYLES = {LOW: "bad", OVER: "bad", f"{LOW}, {OVER}": "bad", LEAST: "warn"}
_STATE_CELLS = 10
_DRAWN = 118  # cells from which the bus is drawn
_WIDE, _ASIDE = 156, 78  # cells from which cases and warnings are beside the tree, and how many they take


@dataclass(frozen=True, slots=True)
class _Solved:
    cases: tuple[LoadCase, ...]
    weakest: Weakest | None
    cells: tuple[int, ...] = ()  # of each row of the diagram, in the case in which it is longest
    error: str = ""


class RigLines(LineWidget):
    """Head, weakest lead, then the tree and its warnings, which scroll."""

    def __init__(self, ui: AppState) -> None:
        super().__init__(ui)
        self.case = 0
        self.top = 0
        self._solved: tuple[Rig | None, _Solved] = (None, _Solved((), None))

    def solved(self) -> _Solved:
        """Cases and weakest lead, solved once for each plan."""
        rig = self.ui.rig
        if rig is not None and self._solved[0] is not rig:
            try:
                cases = tuple(power_cases(rig))
                weakest = find_weakest(rig)
                self._solved = rig, _Solved(cases, weakest, _node_cells(rig, cases, weakest))
                self.case = next((at for at, case in enumerate(cases) if case.case == MOVING), 0)
            except BusbenchError as error:
                self._solved = rig, _Solved((), None, error=str(error))
        return self._solved[1]

    def change_case(self, steps: int) -> None:
        """Show another load case."""
        if cases := self.solved().cases:
            self.case = (self.case + steps) % len(cases)

    def scroll_by(self, rows: int) -> None:
        """Show other rows; `lines` keeps it within the tree."""
        self.top = max(0, self.top + rows)

    def lines(self, width: int, height: int) -> list[Line]:
        """All of it."""
        rig = self.ui.rig
        if rig is None:
            return empty_lines("Rig", NEEDS_PLAN, width)
        solved = self.solved()
        if not solved.cases:
            return list(wrapped(solved.error, width, "warn"))
        case = solved.cases[self.case]
        out = [*self._head(rig, case, width), *self._weakest(rig, solved.weakest, width)]
        room = max(1, height - len(out))
        rows = self._drawn(rig, case, width, room) if width >= _DRAWN and rig.devices else []
        if not rows:
            if width >= _WIDE and rig.devices:
                return out + self._side_by_side(rig, case, width, room)
            rows = [*self._tree(rig, case, solved.weakest, width), *self._warnings(case, width)]
            if rig.devices and len(rows) + len(solved.cases) + 2 <= room:
                rows += self._cases(rig, width)
        self.top = min(self.top, max(0, len(rows) - room))
        shown = rows[self.top : self.top + room]
        if self.top + room < len(rows):
            left = len(rows) - self.top - room + 1
            shown[-1] = [(fit(f" {self.ui.glyphs.more} {left} more lines: down scrolls", width), "dim")]
        return out + shown

    def _side_by_side(self, rig: Rig, case: LoadCase, width: int, height: int) -> list[Line]:
        """The tree at the left, which scrolls; all cases and the warnings at the right."""
        cells = width - _ASIDE
        tree = self._tree(rig, case, self.solved().weakest, cells - 2)
        self.top = min(self.top, max(0, len(tree) - height))
        right = [*self._cases(rig, _ASIDE)[1:], *self._warnings(case, _ASIDE)]
        if len(right) > height:
            right = [*right[: height - 1], [(f" {self.ui.glyphs.more} more: a narrower window lists them", "dim")]]
        return beside(tree[self.top : self.top + height], right, cells)

    def _drawn(self, rig: Rig, case: LoadCase, width: int, height: int) -> list[Line]:
        """A diagram of the bus, and below it cases and warnings; nothing where the diagram does not fit."""
        weakest = self.solved().weakest
        rows = layout_tree(rig, case=case)
        at = next((at for at, row in enumerate(rows) if weakest is not None and row.name == weakest.device), -1)
        way: set[int] = set()
        while at >= 0:
            way.add(at)
            at = rows[at].parent
        nodes = []
        for row, cells in zip(rows, self.solved().cells, strict=True):
            state = _state(rig, row, case, weakest)
            current = row.amps if row.parent >= 0 else ""
            style = _STYLES.get(state, "title")
            nodes.append(Node(_node_text(row, state), style, cells, current, self._leads(row.lead)))
        drawn = diagram_lines(rows, nodes, width, height - 1, way=way, is_ascii=self.ui.is_ascii)
        if not drawn:
            return []
        legend = "" if weakest is None else f" thick: the way to {sanitize(weakest.device)}, the weakest"
        cases = self._cases(rig, min(width, _ASIDE))
        warned = self._warnings(case, width - _ASIDE if width >= 2 * _ASIDE else width)
        both = beside(cases, warned, _ASIDE) if width >= 2 * _ASIDE else [*cases, *warned]
        return [*drawn, [(fit(legend, width), "warn")], *both]

    def _head(self, rig: Rig, case: LoadCase, width: int) -> list[Line]:
        minimum = "minimum not stated" if rig.supply.minimum_v is None else f"{rig.supply.minimum_v:g} V needed"
        supply = f" {self.ui.glyphs.dot} {rig.supply.voltage_v:g} V, {minimum}, leads at {REFERENCE_C:g} degrees C"
        count = len(case.warnings)
        words = f"{count} warning{'' if count == 1 else 's'} " if count else "no warnings "
        left: Line = [(f" case {self.case + 1} of {len(self.solved().cases)}, ", "dim")]
        left += [(f"{case.supply_a:.2f} A", "title"), (" drawn: ", "dim"), (sanitize(case.case), "title")]
        right: Line = [(words, "bad" if count else "good")]
        return [[(f" {sanitize(rig.plan.name)}", "title"), (fit(supply, width), "dim")], apart(left, right, width)]

    def _weakest(self, rig: Rig, weakest: Weakest | None, width: int) -> list[Line]:
        if weakest is None:
            return [[(" no device states a current: nothing to calculate with", "dim")], []]
        volts, least = weakest.voltage_v, rig.supply.minimum_v
        left = "" if least is None else f", {volts - least:+.2f} V to the minimum"
        texts = [
            f"weakest: {weakest.device}, {volts:.2f} V{left} ({weakest.case})",
            f"weakest lead on its way: {weakest.lead}, {weakest.lead_text}: {weakest.drop_v:.2f} V lost in it",
        ]
        if weakest.advice:
            best = weakest.advice[0]
            texts.append(f"{best.text}: gains {best.gain_v:.2f} V")
        styles = ("ink", "warn", "ink")
        both = zip(texts, styles, strict=False)
        return [line for text, style in both for line in wrapped(self._leads(text), width, style)]

    def _leads(self, text: str) -> str:
        return text.replace("mΩ", "mohm").replace("mm²", "mm2") if self.ui.is_ascii else text

    def _tree(self, rig: Rig, case: LoadCase, weakest: Weakest | None, width: int) -> list[Line]:
        rows = layout_tree(rig, case=case)
        marks = LINES_ASCII if self.ui.is_ascii else LINES
        titles = [sanitize(title) for title in branch_titles(rows, lines=marks)]
        name = min(max(width_of([(title, "")]) for title in titles), width - 42) + 1
        out: list[Line] = [
            [
                (
                    fit(
                        f" {fit('on the tree', name)}{'voltage':>7}  {'current':>7}  {'state':<{_STATE_CELLS}} lead",
                        width,
                    ),
                    "head",
                )
            ]
        ]
        for row, title in zip(rows, titles, strict=True):
            state = _state(rig, row, case, weakest)
            style = _STYLES.get(state, "ink")
            lead = fit(self._leads(row.lead), max(1, width - name - 18 - _STATE_CELLS - 2), more=self.ui.glyphs.more)
            out.append(
                [
                    (f" {fit(title, name, more=self.ui.glyphs.more)}", "ink"),
                    (f"{row.volts:>7}  {row.amps:>7}  ", "title"),
                    (fit(state, _STATE_CELLS), style),
                    (f" {lead}", "dim"),
                ]
            )
        return out

    def _cases(self, rig: Rig, width: int) -> list[Line]:
        """All load cases, the one shown marked, each with the device that is left with least."""
        cases, devices = self.solved().cases, {one.name for one in rig.devices}
        name = max(len("all cases"), *(width_of([(sanitize(one.case), "")]) for one in cases))
        out: list[Line] = [[], [(fit(f"   {fit('all cases', name)} current  min voltage", width), "head")]]
        for at, one in enumerate(cases):
            least = min((node for node in one.nodes if node.name in devices), key=lambda node: node.voltage_v)
            is_low = rig.supply.minimum_v is not None and least.voltage_v < rig.supply.minimum_v
            words = f"{least.voltage_v:5.2f} V at {sanitize(least.name)}{f'  {LOW}' if is_low else ''}"
            style = "warn" if is_low else "ink"
            head = f" {'>' if at == self.case else ' '} {fit(sanitize(one.case), name)}"
            out.append([(head, "here" if at == self.case else "ink"), (f" {one.supply_a:5.2f} A  ", "title")])
            out[-1].append((fit(words, max(1, width - name - 13), more=self.ui.glyphs.more), style))
        return out

    def _warnings(self, case: LoadCase, width: int) -> list[Line]:
        if not case.warnings:
            return []
        told = (line for one in case.warnings for line in wrapped(f"! {self._leads(str(one))}", width, "warn"))
        return [[], [(" warnings", "head")], *told]


def _node_cells(rig: Rig, cases: Sequence[LoadCase], weakest: Weakest | None) -> tuple[int, ...]:
    widths = [
        [width_of([(_node_text(row, _state(rig, row, case, weakest)), "")]) for row in layout_tree(rig, case=case)]
        for case in cases
    ]
    return tuple(map(max, zip(*widths, strict=True)))


def _node_text(row: TreeRow, state: str) -> str:
    """A node of the diagram: channel and name, voltage, what is wrong."""
    name = f"hub {row.name}" if row.kind == "hub" else row.name if row.channel is None else f"{row.channel} {row.name}"
    return " ".join(filter(None, (sanitize(name), row.volts, state)))


def _state(rig: Rig, row: TreeRow, case: LoadCase, weakest: Weakest | None) -> str:
    """A word for what is wrong at a row."""
    minimum = rig.supply.minimum_v
    words = []
    if minimum is not None and row.name != SUPPLY and row.voltage_v is not None and row.voltage_v < minimum:
        words.append(LOW)
    if any(one.kind is WarningKind.CURRENT and one.node == row.name for one in case.warnings):
        words.append(OVER)
    if not words and weakest is not None and row.name == weakest.device:
        words.append(LEAST)
    return ", ".join(words)
