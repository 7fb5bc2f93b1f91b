"""The keys that work in every view, each declared once: bindings, menu and help are made from it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Command:
    """A command of the screen."""

    keys: str  # key names of the UI library, separated by commas; "" for the menu only
    action: str  # action of the app
    title: str  # short title
    text: str  # what it does, a sentence without a full stop

    @property
    def key_words(self) -> str:
        """Key names for people: "left", "?", "page up"."""
        return " or ".join(_SHOWN.get(key, key) for key in self.keys.split(",") if key)


_SHOWN = {
    "question_mark": "?",
    "f1": "F1",
    "minus": "-",
    "plus": "+",
    "comma": ",",
    "full_stop": ".",
    "pageup": "page up",
    "pagedown": "page down",
}

COMMANDS = (
    Command("space", "play", "Play or pause", "plays, pauses; freezes what is live, follows it again"),
    Command("left", "step(-1)", "One frame back", "goes to the frame before"),
    Command("right", "step(1)", "One frame on", "goes to the next frame"),
    Command("shift+left", "seek(-1)", "One second back", "goes back by a second"),
    Command("shift+right", "seek(1)", "One second on", "goes on by a second"),
    Command("pageup", "seek(-10)", "Ten seconds back", "goes back by ten seconds; in a list it scrolls"),
    Command("pagedown", "seek(10)", "Ten seconds on", "goes on by ten seconds; in a list it scrolls"),
    Command("home", "ends(0)", "To the start", "goes to the first frame"),
    Command("end", "ends(1)", "To the end", "goes to the last frame"),
    Command("minus", "pace(-1)", "Slower", "plays slower, down to 0.1x"),
    Command("plus", "pace(1)", "Faster", "plays faster, up to 100x"),
    Command("full_stop", "zoom(1)", "Zoom in", "the timeline shows less around the place, down to single frames"),
    Command("comma", "zoom(-1)", "Zoom out", "the timeline shows more, up to the whole session"),
    Command("n", "jump(1)", "Next outage", "goes to the next outage"),
    Command("p", "jump(-1)", "Previous outage", "goes to the outage before"),
    Command("u", "unit", "Next unit", "shows values in counts, µs or %; it is remembered"),
    Command("z", "reset", "Reset ranges", "takes min and max of each channel from here on"),
    Command("m", "mark", "Annotate", "sets a text at this moment, in the recording that runs or beside the file"),
    Command("i", "cut(0)", "Cut from here", "the cut begins here"),
    Command("o", "cut(1)", "Cut to here", "the cut ends here"),
    Command("x", "export", "Write the cut", "writes the frames of the cut to a new file"),
    Command("r", "record", "Record", "live: records to a new file in this folder, or stops recording"),
    Command("b", "ring", "Bell on outages", "rings the terminal's bell on outages, or not"),
    Command("l", "again", "Last message", "shows the last message once more, whole"),
    Command("s", "choose", "Open", "opens another source, or a plan"),
    Command("", "shade", "Light or dark", "changes the colours; it is remembered"),
    Command("", "mouse", "Mouse on or off", "off: the terminal selects text with it, as else with shift; remembered"),
    Command("ctrl+r", "reset_settings", "Reset settings", "forgets unit, colours, scale, mouse and view"),
    Command("ctrl+p", "menu", "Menu", "all keys, with search"),
    Command("question_mark,f1", "help", "Help", "explains every figure and key, with search"),
    Command("q,ctrl+c", "quit", "Quit", "asks first where annotations, answers, a check or a recording would be lost"),
)
