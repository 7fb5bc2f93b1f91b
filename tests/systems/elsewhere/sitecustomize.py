"""Makes a Python on Linux look like one on Windows or macOS to busbench and pyserial, and to no one else.

Python runs this at its start where the folder is in PYTHONPATH, also in the processes that busbench starts.
BUSBENCH_SYSTEM names the system. While a module of the standard library or of another package is loaded, all
is as it truly is; those have been made for both systems and are not what is tested.
"""

from __future__ import annotations

import contextlib
import ctypes
import importlib.abc
import importlib.machinery
import os
import select
import shutil
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from types import ModuleType, SimpleNamespace
from typing import Any

SYSTEM = os.environ.get("BUSBENCH_SYSTEM", "")
TESTED = {"busbench", "serial"}

# From the documentation of each module, where it says "Availability: Unix" or Linux.
MISSING_MODULES = {
    "win32": ("termios", "fcntl", "pty", "tty", "resource", "grp", "pwd", "syslog", "posix"),
    "darwin": ("msvcrt", "winreg"),
}
MISSING_NAMES: dict[str, dict[ModuleType, str]] = {
    "win32": {
        os: "set_blocking get_blocking openpty ttyname fork forkpty getuid geteuid getgid getegid getgroups mkfifo "
        "mknod pread pwrite statvfs fstatvfs posix_fadvise posix_fallocate sched_setscheduler sched_getscheduler "
        "sched_setaffinity sched_getaffinity nice getloadavg setsid getpgid killpg fchmod fchown chown uname sysconf "
        "fdatasync sync wait waitid pipe2 O_NONBLOCK O_NOCTTY O_SYNC O_DIRECTORY O_NOFOLLOW",
        select: "poll epoll",
        signal: "SIGKILL SIGHUP SIGALRM SIGUSR1 SIGUSR2 SIGPIPE SIGTSTP SIGWINCH SIGQUIT setitimer alarm pause "
        "pthread_sigmask pthread_kill sigwait",
    },
    "darwin": {
        os: "sched_setscheduler sched_getscheduler sched_setaffinity sched_getaffinity posix_fadvise posix_fallocate "
        "pipe2 memfd_create eventfd splice fdatasync",
        select: "epoll",
        signal: "sigwaitinfo sigtimedwait SIGRTMIN",
    },
}
# Flags that Windows has beside those of Linux, as bits that mean nothing there.
OPEN_FLAGS = {"O_BINARY": 1 << 28, "O_NOINHERIT": 1 << 29}
MISSING_WORDS = {"fcntl": "F_SETPIPE_SZ F_GETPIPE_SZ F_OFD_SETLK", "termios": "TIOCGICOUNT TIOCGSERIAL TIOCSSERIAL"}


class Switch(importlib.abc.MetaPathFinder):
    """Switches between the true system and the other one, as modules are loaded.

    Args:
        system: value of sys.platform.
    """

    def __init__(self, system: str) -> None:
        self._system, self._true = system, sys.platform
        self._true_modules: dict[str, ModuleType] = {}
        self._put_away: list[tuple[ModuleType, dict[str, Any]]] = []
        self._true_select, self._true_open, self._true_write = select.select, os.open, os.write
        self._text: set[int] = set()  # descriptors that busbench has opened for text
        self.is_on = False

    def turn(self, is_on: bool) -> bool:
        """Switch to the other system or back; returns how it was."""
        was, self.is_on = self.is_on, is_on
        if was == is_on:
            return was
        sys.platform = self._system if is_on else self._true
        if is_on:
            for name in MISSING_MODULES[self._system]:
                if (module := sys.modules.get(name)) is not None:
                    self._true_modules[name] = module
                sys.modules[name] = None  # type: ignore[assignment]
            missing = dict(MISSING_NAMES[self._system])
            if self._system == "darwin":
                missing |= {m: words for name, words in MISSING_WORDS.items() if (m := sys.modules.get(name))}
            for module, words in missing.items():
                names = {name: module.__dict__.pop(name) for name in words.split() if name in module.__dict__}
                self._put_away.append((module, names))
            if self._system == "win32":
                select.select = self._select_sockets  # type: ignore[assignment]
                os.open, os.write = self._open, self._write
                vars(os).update(OPEN_FLAGS)
        else:
            for name in MISSING_MODULES[self._system]:
                sys.modules.pop(name, None)
            sys.modules.update(self._true_modules)
            for module, names in self._put_away:
                module.__dict__.update(names)
            self._put_away.clear()
            if self._system == "win32":
                select.select, os.open, os.write = self._true_select, self._true_open, self._true_write
                for name in OPEN_FLAGS:
                    vars(os).pop(name, None)
        return was

    def _open(self, path: Any, flags: int, *more: Any, **by_name: Any) -> int:
        """On Windows a file is opened for text unless the flags say otherwise."""
        fd = self._true_open(path, flags & ~sum(OPEN_FLAGS.values()), *more, **by_name)
        is_ours = str(sys._getframe(1).f_globals.get("__name__")).split(".")[0] == "busbench"
        (self._text.discard if flags & OPEN_FLAGS["O_BINARY"] or not is_ours else self._text.add)(fd)
        return fd

    def _write(self, fd: int, data: Any) -> int:
        """On Windows each line of text ends in two characters, of which the system counts one."""
        if fd not in self._text:
            return self._true_write(fd, data)
        self._true_write(fd, bytes(data).replace(b"\n", b"\r\n"))
        return len(data)

    def _select_sockets(
        self, readers: Sequence[Any], writers: Sequence[Any], others: Sequence[Any], timeout: float | None = None
    ) -> tuple[list[Any], list[Any], list[Any]]:
        """On Windows only sockets can be selected, and at least one must be given."""
        both = [*readers, *writers, *others]
        if not both or any(type(one).__name__ != "socket" for one in both):
            raise OSError(10038, "An operation was attempted on something that is not a socket")
        return self._true_select(readers, writers, others, timeout)

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        """Find a module as usual, and load it in the system that is right for it."""
        name = fullname.split(".")[0]
        if self.is_on and name in MISSING_MODULES[self._system]:
            return None
        spec = importlib.machinery.PathFinder.find_spec(fullname, path, target)
        if spec is not None and spec.loader is not None and hasattr(spec.loader, "exec_module"):
            spec.loader.exec_module = self._loading(spec.loader.exec_module, name)  # type: ignore[method-assign, assignment]
        return spec

    def _loading(self, load: Callable[[ModuleType], None], name: str) -> Callable[[ModuleType], None]:
        def load_there(module: ModuleType) -> None:
            was = self.turn(name in TESTED)
            try:
                with _other_os(self._system) if name == "serial" else contextlib.nullcontext():
                    load(module)
            finally:
                # What busbench does later it does on the other system too.
                self.turn(was or name == "busbench")

        return load_there


@contextlib.contextmanager
def _other_os(system: str) -> Iterator[None]:
    """What pyserial alone asks for, when it is loaded; paths of the other kind cannot be made here."""
    name, uname = os.name, os.__dict__.get("uname")
    if system == "win32":
        os.name = "nt"
    else:
        os.uname = lambda: ("Darwin", "bench", "23.0.0", "", "arm64")  # type: ignore[assignment, return-value]
    try:
        yield
    finally:
        os.name = name
        if uname is not None:
            os.uname = uname


class _Library:
    """A library of the other system in which every function does nothing and says 0."""

    def __init__(self, name: str = "") -> None:
        self._name = name

    def __getattr__(self, name: str) -> _Function:
        function = _Function(name)
        setattr(self, name, function)
        return function

    __getitem__ = __getattr__


class _Function:
    def __init__(self, name: str) -> None:
        # Of these the pyserial of Windows takes 0 for a failure of the system.
        self._value = int(name.startswith("SetupDiClassGuids"))

    def __call__(self, *_: Any) -> int:
        return self._value


class _Libraries:
    def __getattr__(self, name: str) -> _Library:
        library = _Library(name)
        setattr(self, name, library)
        return library

    def LoadLibrary(self, name: str) -> _Library:  # noqa: N802  its name in ctypes
        return _Library(name)


def _pretend(system: str) -> None:
    stand_ins: dict[str, Any] = {}
    if system == "win32":
        stand_ins = {"windll": _Libraries(), "WinDLL": _Library, "WINFUNCTYPE": ctypes.CFUNCTYPE}
        stand_ins |= {"WinError": lambda *_: OSError("WinError"), "GetLastError": lambda: 0, "FormatError": str}
        # Newer Pythons ask the system whether a program may lie in the current folder.
        setattr(shutil, "_winapi", SimpleNamespace(NeedCurrentDirectoryForExePath=lambda _: True))  # noqa: B010
    else:
        ports = ModuleType("serial.tools.list_ports_osx")
        ports.comports = lambda *_: []  # type: ignore[attr-defined]
        sys.modules[ports.__name__] = ports
    for name, value in stand_ins.items():
        setattr(ctypes, name, value)
    sys.meta_path.insert(0, Switch(system))


if SYSTEM:
    _pretend(SYSTEM)
