"""Screen settings of the user, kept in the configuration folder of the system.

The file is TOML, `settings.toml` in the folder `busbench`: below `~/.config` (or `XDG_CONFIG_HOME`) on Linux, in
`~/Library/Application Support` on macOS, in the local application data on Windows.
"""

from __future__ import annotations

import tomllib
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Literal

from busbench.errors import BusbenchError
from busbench.output_file import write_output

Unit = Literal["counts", "us", "percent"]
_NAME = "settings.toml"


@dataclass(frozen=True, slots=True)
class Settings:
    """Each is None if it was never set."""

    unit: Unit | None = None  # "counts", "us" or "percent"
    theme: Literal["dark", "light"] | None = None  # "dark" or "light"
    one_scale: bool | None = None  # True to draw all traces on one scale
    view: str | None = None  # key of the last view
    mouse: bool | None = None  # False to leave the mouse to the terminal


_ALLOWED: dict[str, tuple[object, ...]] = {
    "unit": ("counts", "us", "percent"),
    "theme": ("dark", "light"),
    "one_scale": (True, False),
    "view": tuple("12345678"),
    "mouse": (True, False),
}


class SettingsStore:
    """Settings and their file; None to keep them only for this session."""

    def __init__(self, path: Path | None = None) -> None:
        self.path = path
        self.now = Settings()
        self.trouble = ""  # why reading or writing failed, for people
        if path is not None and path.is_file():
            self._read(path)

    def keep(self, **changes: str | bool) -> None:
        """Change settings and write the file; a write error does not stop the program."""
        before = self.now
        self.now = replace(self.now, **changes)  # type: ignore[arg-type] # by the callers' literals
        if self.now != before:
            self._write()

    def reset(self) -> None:
        """Reset all."""
        self.now = Settings()
        self._write()

    def _read(self, path: Path) -> None:
        try:
            data = tomllib.loads(path.read_text(encoding="utf-8"))
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError):
            self.trouble = f"{path}: settings are not read: not TOML; the next change writes them again"
            return
        known = {one.name for one in fields(Settings)}
        good = {name: value for name, value in data.items() if name in known and value in _ALLOWED[name]}
        self.now = Settings(**good)
        if wrong := sorted(data.keys() - good.keys()):
            self.trouble = f"{path}: {', '.join(wrong)}: not a setting, or a value that is not known: left out"

    def _write(self) -> None:
        if self.path is None:
            return
        lines = [
            f"{name} = {str(value).lower() if isinstance(value, bool) else f'{value!r}'.replace(chr(39), chr(34))}\n"
            for name, value in asdict(self.now).items()
            if value is not None
        ]
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            write_output(self.path, "".join(lines), force=True)
        except (BusbenchError, OSError) as error:
            self.trouble = f"settings are not kept: {error}"


def settings_path() -> Path:
    """The path of the user's settings on this system."""
    from platformdirs import user_config_path  # comes with textual

    return user_config_path("busbench", appauthor=False) / _NAME
