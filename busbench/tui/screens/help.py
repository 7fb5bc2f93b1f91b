"""Every figure and every key in one sentence, then the reference; letters search."""

from __future__ import annotations

from typing import ClassVar

from textual import events
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.screen import ModalScreen
from textual.widgets import Input, Static

from busbench.reference.topics import TOPICS, topic_text
from busbench.tui.app_state import AppState
from busbench.tui.commands import COMMANDS
from busbench.tui.text import Line, as_ascii, wrap
from busbench.tui.widgets.line_widget import LineWidget

FIGURES: dict[str, dict[str, str]] = {
    "State, above every view": {
        "source": "the port, address or recording that is watched, and how its line is set or its times are known",
        "in sync": "each frame is found where the one before it ended",
        "out of sync": "bytes come, but no frame is where one is due",
        "ambiguous": "the bytes could be read as frames in two ways that are equally good",
        "silent": "no byte came for 0.3 s, or the recording has a gap here",
        "no frame": "the frame that is due now did not come: what is shown is of the last one",
        "unplugged": "the adapter is gone; watching goes on when the same adapter is back",
        "frames": "frames that came since the start, flagged ones included",
        "missed": "frames due that did not come, and frames that the receiver flagged as lost or failsafe",
        "95 % limit": "fewer than 1 in 20 tests this long would miss so few frames if the true ratio were higher",
        "REC": "a recording runs: how long, and its size so far",
        "FROZEN": "what is shown is of the place, not of now; space follows the link again",
        "flags now, here": "what the newest frame says: lost, failsafe, the on/off channels 17 and 18",
    },
    "Channels": {
        "counts, µs, %": "the value on the line, or what the stated scale makes of it: the line carries counts alone",
        "ruler": "0 to 2047 counts with ticks at 172 and 1811, the customary endpoints, and at 992; the thick part is"
        " the range since the last reset",
        "trace": "the last 4 s; the figures beside it are its bottom and its top: the range since the last reset, or"
        " by y the whole line; blank where no frame came",
        "large": "enter shows the chosen channel large; v keeps it drawn while others are chosen, y draws all on one"
        " scale; c leaves a cursor A, and time and change of value from it to the place B are given",
        "(value)": "no frame is there now, or it is damaged: the value is that of the last whole frame",
        "no frame": "the frame that is due did not come: the row is dimmed, and the head says for how long",
        "moving": "the channel changed by more than 20 counts within the last 64 frames",
        "still": "it did not",
        "at end": "the value is within 8 counts of 172 or 1811, the customary endpoints",
        "past end": "the value is beyond the customary endpoints by more than 8 counts",
        "lost, failsafe": "the newest frame is flagged so: its values are the receiver's, not the stick's",
        "glitch": "one frame jumped by more than 40 counts and the next came back, within the last 4 s",
    },
    "Timing": {
        "period, mean": "the mean time from frame to frame, missing frames allowed for",
        "period, median": "half of the periods are shorter than this",
        "period, min, max": "the extreme periods between frames that follow one another",
        "1st, 99th percentile": "one period in a hundred is shorter than the first and one in a hundred longer than"
        " the second",
        "period jitter, rms, peak": "how far periods are from their mean: root mean square, and the farthest",
        "cycle-to-cycle jitter": "how much a period differs from the one before it: root mean square / the most",
        "TIE, rms": "how far frames are from the evenly spaced times that fit them best, root mean square",
        "true value": "bounds of the receiver's own period jitter",
        "frames due": "frames measured and frames missing together",
        "frames missing": "frames due between the first and the last frame",
        "histogram": "how many periods had which length; those beyond its ends are counted below it",
        "F F, P": "below the histogram: F the measurement floor to both sides of the mean, P the plan's period",
        "zoom": "by . and , figures and pictures are of a shorter time around the place, given above the histogram",
        "period over time": "the shortest and the longest period of each moment; blank where no frame came",
    },
    "Outages": {
        "g gap": "no frame for more than 1.5 periods",
        "l lost": "frames came, flagged as lost by the receiver",
        "f failsafe": "frames came, flagged as failsafe: the channels are what the receiver was set to",
        "d damaged": "bytes came that form no frame where one was due",
        "from, lasted": "from the last good frame to the next, or from the first flagged frame to the next that is not",
        "frames": "frames missing, or flagged",
        "bytes, at byte": "damaged bytes or bytes of the flagged frames, and where in the stream they are",
        "/": "lists only outages that fit what is typed: part of a kind, a number, when it began (0:12, 1:02:03.4),"
        " how long it lasted (>50ms, <2s), or several of these; n and p go through these alone",
        "bursts": "outages came together, so the limit, which takes them as independent, is too low",
        "both out at once": "with several receivers, a timeline each: how often and how long all of them were out; the"
        " list is of the first",
        "channels across": "counts before, min to max during, and after the chosen outage",
        "from 2 s before": "in a wide window: traces of all channels around the chosen outage, its letter above",
    },
    "Range check": {
        "missed frames, last 10 s": "frames missing or flagged in the ten seconds before the place",
        "link now": "OK; LOSS (frames were missed in the last second, or the last 100 frames); LOST (flagged lost);"
        " GONE (failsafe); BAD (a damaged frame); DEAD (no frame comes); ? (ambiguous); PAST (not now); OFF (the port"
        " is gone); READ (a recording is still read)",
        "longest outage": "in seconds, or in frames without times; of a recording in all, wherever one is in it",
    },
    "Verify": {
        "steps": "what to do, one after another; what is received meanwhile is held against the plan",
        "pass, FAIL": "what was measured is inside its limit, or it is not; limits are in the rig file",
        "not tested": "the recording does not show it, or the step was skipped; it does not count as passed",
        "seen now": "the step's channels, their min and max since it began, and whatever else moves",
        "enter": "begin the step, say that the control is back at rest, begin a new test sequence at the end",
        "k, b, e": "skip the step; back: the step again, or the one before; end the test sequence",
        "w": "at the end: write the page to print and sign; answers of a kept walk are included",
    },
    "Walk": {
        "enter": "begin; then have the device move that is announced, all other channels held",
        "any key": "calls a motion off while it is counted down, and brings it back to rest while it moves",
        "y, n": "the answers: the right surface and no other, the right way, full throw, smoothly",
        "a, r": "answer without moving again; repeat the motion",
        "k, b, t": "skip the device; go back; write a note on it",
        "e, f": "end the walk, it goes on later; name the file in which every answer is kept at once",
        "rehearsal": "on virtual: an aircraft in numbers moves as the plan has it, and nothing is sent",
        "plan": "how far the surface goes from rest to the ends of its channel, and in mm straight across where the"
        " plan has the chord; in a wide window beside what was seen, with the motion over time, and o for"
        " what came back meanwhile",
        "devices now": "in a rehearsal: where they are, from -100 to +100 %; all of them in a tall window",
        "--arm": "without it nothing is sent to a real port",
    },
    "Drive": {
        "arrows, enter": "up and down choose a field, left and right change it; enter goes on to the cautions, then to"
        " the countdown, and escape goes back",
        "channel … cycles": "what is to be done to one channel; all others rest, and locked ones do not move",
        "rehearsal": "on virtual: the frames are made, shown and discarded",
        "ARMED": "watch was started with --arm and with the channel of each motor, by --motor, --no-motor or --rig;"
        " without both nothing is ever sent",
        "countdown": "three seconds in which any key cancels",
        "STOP": "while something moves any key stops it: the channels ramp to rest, then nothing more is sent",
        "program": "the whole way of the channel, inside its limits of travel and rate; what is left of the bar was"
        " sent",
        "travel and value": "in a wide window: how far each channel may go, and its value now or at rest",
        "sent": "the values of the newest frame sent",
        "received, o": "what came back on the same port; nothing where the port does not hear itself",
        "late, skipped": "frames sent more than 1 ms after they were due, and places in which it was too late",
    },
    "Rig": {
        "case": "who moves and who is stalled, as `busbench rig power` works it out; left and right change it",
        "voltage, current": "voltage left at the end of its lead, and the current drawn or passed on",
        "diagram": "in a wide window: supply, receiver, hubs and devices from left to right, the current over each"
        " lead; thick leads go to the weakest device",
        "all cases": "in a tall window: current of each case, and the device left with the min voltage",
        "LOW": "below the minimum that the plan states",
        "OVER": "the current is above what the lead, its plug or the hub may carry",
        "weakest": "the device left with the min voltage in the worst case short of all stalled",
    },
    "Care": {
        "driving": "propeller off or the motor's lead open, model held down, hands clear; your local rules come first",
        "range check": "keep the motor from starting, have the aircraft held, and follow your club's and country's"
        " rules",
    },
}

KEY_ROWS = (
    "Keys",
    (
        ("1 to 8", "the views"),
        *((one.key_words or "menu", one.text) for one in COMMANDS),
        ("mouse", "a click chooses tabs, rows, places and keys; the wheel scrolls, and zooms over the timeline"),
    ),
)


def help_rows(text: str, *, is_ascii: bool, width: int) -> tuple[list[Line], dict[str, int]]:
    """The lines of the help that match a search, and the start of each part.

    Args:
        text: words that must be in an entry, its part or its sentence; empty for all entries.
        is_ascii: True for ASCII only.
        width: cells per line.
    """
    words = text.casefold().split()
    keep = as_ascii if is_ascii else str
    out: list[Line] = []
    parts: dict[str, int] = {}
    for title, rows in (*((title, rows.items()) for title, rows in FIGURES.items()), KEY_ROWS):
        found = [
            (name, sentence)
            for name, sentence in rows
            if all(word in f"{title} {name} {sentence}".casefold() for word in words)
        ]
        if not found:
            continue
        parts[title] = len(out)
        out += [[(f" {title}", "head")]]
        for name, sentence in found:
            out += [[(f" {keep(name)}", "title")]]
            out += [[(f"     {line}", "ink")] for line in wrap(keep(f"{sentence}."), max(20, min(width, 100) - 6))]
        out += [[("", "ink")]]
    for topic in TOPICS:
        lines = topic_text(topic).rstrip().splitlines()
        shown = lines if not words else [one for one in lines if all(word in one.casefold() for word in words)]
        if shown:
            parts[topic] = len(out)
            out += [[(f" busbench help {topic}", "head")], *([(keep(f" {line}"), "ink")] for line in shown)]
            out += [[("", "ink")]]
    return out, parts


class HelpLines(LineWidget):
    """The visible part of the help; opens at a part."""

    NEEDS_SESSION = False

    def __init__(self, ui: AppState, part: str) -> None:
        super().__init__(ui)
        self._part = part
        self._seen: tuple[str, int] = ("", 0)
        self._rows: list[Line] = []
        self.needle, self.top = "", 0

    def lines(self, width: int, height: int) -> list[Line]:
        """The visible lines."""
        if self._seen != (self.needle, width) or not self._rows:
            is_first = not self._rows
            self._rows, parts = help_rows(self.needle, is_ascii=self.ui.is_ascii, width=width)
            self._seen = self.needle, width
            self.top = parts.get(self._part, 0) if is_first else 0
        if not self._rows:
            return [[(" nothing in the help has all these words", "warn")]]
        self.top = max(0, min(self.top, len(self._rows) - height))
        return self._rows[self.top : self.top + height]

    def wheel(self, rows: int) -> None:
        """See LineWidget."""
        self.top += rows
        self.redraw()


class Help(ModalScreen[None]):
    """Every figure and key; letters search. Opens at a part."""

    BINDINGS: ClassVar[list[BindingType]] = [("escape,f1", "dismiss")]

    def __init__(self, ui: AppState, *, part: str = "") -> None:
        super().__init__()
        self._body = HelpLines(ui, part)
        self._body.add_class("body")

    def compose(self) -> ComposeResult:
        """Put it together."""
        yield Static("Help: up, down scroll, letters search, escape closes.", id="how", markup=False)
        yield Input(placeholder="letters search", select_on_focus=False)
        yield self._body

    def on_mount(self) -> None:
        """Focus the search."""
        self.query_one(Input).focus()
        self.call_after_refresh(self._body.redraw)

    def on_input_changed(self, event: Input.Changed) -> None:
        """Search."""
        self._body.needle = event.value
        self._body.redraw()

    def on_key(self, event: events.Key) -> None:
        """Scroll keys; what is printable goes to the search."""
        page = max(1, self._body.size.height - 1)
        rows = {"up": -1, "down": 1, "pageup": -page, "pagedown": page, "ctrl+home": -(10**6), "ctrl+end": 10**6}
        if not self._body.needle:
            rows |= {"home": -(10**6), "end": 10**6}
        if event.key in rows:
            self._body.wheel(rows[event.key])
            event.stop()
            event.prevent_default()
