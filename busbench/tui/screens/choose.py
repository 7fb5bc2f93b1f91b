"""Choose a source: ports, virtual receivers and aircraft, plans, and recordings nearby."""

from __future__ import annotations

from pathlib import Path

from textual import work
from textual.widgets import Static

from busbench.bench.sources import VIRTUAL, plugged_in
from busbench.capture.formats import read_suffixes
from busbench.errors import sanitize
from busbench.tui.opening import PLAN
from busbench.tui.screens.pick import Choice, Pick

RECEIVERS = (
    (VIRTUAL, "mixed flying"),
    (f"{VIRTUAL}?period=7ms&pilot=moving", "all sticks move"),
    (f"{VIRTUAL}?lost-rate=6&gap-rate=3", "with outages"),
)
FILES_MAX = 200
_HINT = "letters filter; or type a port, a file, or socket://host:port"
_HEAD_BYTES = 65_536


def files(folder: Path) -> list[str]:
    """Recordings in a folder and in its folder captures, by their suffix."""
    suffixes = read_suffixes()
    return [name for name in _near(folder) if Path(name).suffix.lower() in suffixes]


def plans(folder: Path) -> list[str]:
    """Rig files in a folder and in its folder captures, recognized by their tables."""
    return [name for name in _near(folder) if name.lower().endswith(".toml") and _is_plan(folder / name)]


def ports() -> list[tuple[str, str]]:
    """Existing ports, with descriptions."""
    return [(one.device, f"{one.chip.name} {one.description}".strip()) for one in plugged_in()]


def _near(folder: Path) -> list[str]:
    found = []
    for place in (folder, folder / "captures"):
        try:
            found += [str(one.relative_to(folder)) for one in sorted(place.iterdir()) if one.is_file()]
        except OSError:
            continue
    return found[:FILES_MAX]


def _is_plan(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return b"[[device]]" in file.read(_HEAD_BYTES)
    except OSError:
        return False


class Choose(Pick):
    """Returns the chosen source, or PLAN and a rig file, or None after escape.

    Args:
        error: why the former choice could not be opened.
        title: additional text.
        is_ascii: True for ASCII only.
    """

    def __init__(self, *, error: str = "", title: str = "", is_ascii: bool = False) -> None:
        asked = f"What to watch{f' {title}' if title else ''}? Up, down, enter, or type a name; escape leaves."
        super().__init__(asked, hint=_HINT, is_ascii=is_ascii)
        self._error = error

    def on_mount(self) -> None:
        """Fill the list; ports are added when found."""
        self.prepare()
        error = self.query_one("#error", Static)
        error.update(self._words(sanitize(self._error)))
        error.display = bool(self._error)
        here = Path.cwd()
        near = plans(here)
        self.offer(Choice(name, _row("virtual", name, text)) for name, text in RECEIVERS)
        self.offer(Choice(f"{VIRTUAL}{name}", _row("aircraft", f"{VIRTUAL}{name}", "rehearse on it")) for name in near)
        self.offer(Choice(f"{PLAN}{name}", _row("plan", name, "names, limits, checks")) for name in near)
        self.offer(Choice(name, _row("file", name, "")) for name in files(here))
        self._find_ports()

    def typed(self, text: str) -> list[Choice]:
        """As Pick says: the text as a source, and as a plan."""
        if not text or text == "?":
            return []
        if text.endswith(".toml"):
            return [Choice(f"{PLAN}{text}", _row("plan", text, "as typed"))]
        return [Choice(text, _row("open", text, "as typed"))]

    @work(thread=True)
    def _find_ports(self) -> None:
        found = ports()
        self.app.call_from_thread(self._add_ports, found)

    def _add_ports(self, found: list[tuple[str, str]]) -> None:
        if self.is_mounted:
            self.offer(Choice(name, _row("port", name, text)) for name, text in found)


def _row(kind: str, name: str, text: str) -> str:
    return f"{kind:<10}{name}{'   ' if text else ''}{text}"
