"""Open whatever the user named, with a one-line error for every failure."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import re
import stat
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import serial
from serial.tools import list_ports

from busbench.errors import PortBusy, PortDenied, PortError, PortLost, PortMissing
from busbench.line import LineSettings
from busbench.port.device_lock import DeviceLock, device_in, device_keys, socket_keys
from busbench.port.serial_port import BusPort

_BUSY = (errno.EAGAIN, errno.EBUSY)
_GONE = (errno.EIO, errno.ENXIO, errno.ENODEV, errno.EBADF)


def is_url(source: str) -> bool:
    """True for a stream address such as socket://127.0.0.1:7000."""
    return "://" in source


def open_port(source: str, *, line: LineSettings) -> Any:
    """Open a serial port or a stream address.

    Args:
        source: a device name or a URL.
        line: settings of the line.

    Returns:
        A serial port object of pyserial; a BusPort for a device.

    Raises:
        PortError: it cannot be opened; says why and what to do.
    """
    device = resolve(source)
    if not is_url(device):
        check_node(device)
    lock = _lock_device(source, device)
    try:
        with translated(source, device):
            if is_url(device):
                port = _open_url(device, line)
            else:
                port = BusPort(device, line=line)
                port.open()
                port.ask_low_latency()
    except PortError:
        lock.release()
        raise
    port.busbench_lock = lock
    return port


def claim_socket(source: str) -> DeviceLock:
    """Lock the TCP port of an address for sending, if it has one (raises PortError: another process sends)."""
    try:
        return DeviceLock(socket_keys(source))
    except BlockingIOError:
        raise PortBusy(source, "another busbench sends to it", hint="stop that one, then try again") from None


def _lock_device(source: str, device: str) -> DeviceLock:
    try:
        return DeviceLock(device_keys(device))
    except BlockingIOError:
        what = f"is in use by {_holder(device_in(device))}"
        raise PortBusy(source, what, hint="close that program, then try again") from None


def resolve(source: str) -> str:
    """The device of a hwgrep:// address, other names unchanged (raises PortError: no match)."""
    if not source.lower().startswith("hwgrep://"):
        return source
    from serial.urlhandler import protocol_hwgrep

    try:
        return str(protocol_hwgrep.Serial(None).from_url(source))
    except serial.SerialException:
        raise PortMissing(source, "no port matches", hint=_ports_there()) from None
    except Exception as error:  # the pattern is used as a regular expression
        raise PortError(source, f"cannot be understood ({error})", hint="give a regular expression") from None


def check_node(device: str, *, then: str = "give it to a command that reads recordings") -> None:
    """Refuse what is no port, without opening it.

    Args:
        then: what to do if it is a file.

    Raises:
        PortError: it is missing, a folder, or a file.
    """
    if sys.platform == "win32":
        if Path(device).is_file():
            raise PortError(device, "is a file, not a port", hint=then)
        return
    try:
        mode = os.stat(device).st_mode  # noqa: PTH116 - a name may be any text, such as one with a NUL
    except (FileNotFoundError, NotADirectoryError, ValueError):
        raise PortMissing(device, "port not found", hint=_plug_in()) from None
    except OSError as error:
        raise PortError(
            device, f"cannot be read ({error.strerror})", hint="check its name and your permissions"
        ) from None
    if stat.S_ISDIR(mode):
        raise PortError(device, "this is a folder, not a port", hint=_ports_there())
    if not stat.S_ISCHR(mode):
        raise PortError(device, "is a file, not a port", hint=then)


@contextlib.contextmanager
def translated(source: str, device: str) -> Iterator[None]:
    """Turn errors of the system and of pyserial inside the block into PortError."""
    try:
        yield
    except PortError:
        raise
    except Exception as error:
        # pyserial's own, OSError, termios.error (not an OSError); a stream address can raise anything.
        raise _explained(source, device, error) from None


def _code(error: BaseException | None) -> int | None:
    """The system's error number, which pyserial may have put into a text."""
    while error is not None:
        if error.args and isinstance(error.args[0], int):
            return error.args[0]
        error = error.__context__
    return None


def _explained(source: str, device: str, error: Exception) -> PortError:
    code = _code(error)
    if is_url(device):
        if re.fullmatch(r"(?i)(socket|rfc2217)://[^:/]*/?", device):
            return PortError(source, "names no TCP port", hint="give socket://HOST:PORT")
        if not re.match(r"(socket|rfc2217|loop|spy|cp2110|alt)://", device.lower()):
            return PortError(source, "is not an address that busbench knows", hint="give socket://HOST:PORT")
        return PortError(source, f"cannot be opened ({_plain(error)})", hint="check the address, and that it is served")
    text = str(error)
    if sys.platform == "win32":
        if "PermissionError" in text:
            return PortBusy(source, "is in use by another program", hint="close that program, then try again")
        if "FileNotFoundError" in text:
            return PortMissing(source, "port not found", hint=_plug_in())
    if code == errno.EACCES:
        return PortDenied(source, "cannot be opened (no permission)", hint=_how_to_get_rights(device))
    if code in _BUSY:
        return PortBusy(source, f"is in use by {_holder(device)}", hint="close that program, then try again")
    if code == errno.ENOTTY:
        return PortError(source, "is not a serial port", hint=_ports_there())
    if code in _GONE:
        return PortLost(source, "is not there any more", hint="plug the adapter in again")
    return PortError(source, f"cannot be opened ({_plain(error)})", hint="unplug the adapter, plug it in and try again")


def _plain(error: Exception) -> str:
    code = _code(error)
    return os.strerror(code) if code is not None else (str(error) or type(error).__name__)


def _how_to_get_rights(device: str) -> str:
    """The group that owns the node, and how to join it."""
    if sys.platform == "win32":
        return "close the program that has it"
    import grp

    try:
        state = os.stat(device)  # noqa: PTH116
        group = grp.getgrgid(state.st_gid)
    except (OSError, KeyError):
        return "ask who runs this machine for the right to use serial ports"
    user = os.environ.get("USER") or "YOUR-NAME"
    if not state.st_mode & stat.S_IWGRP or group.gr_name == "root":
        return "its group has no rights either; ask who runs this machine for a rule that gives serial ports to a group"
    if state.st_gid not in os.getgroups() and user in group.gr_mem:
        return f"you are in its group {group.gr_name} only from the next log-in on: log out and in again"
    return f"join its group with `sudo usermod -aG {group.gr_name} {user}`, then log out and in again"


def _holder(device: str) -> str:
    """Which process has the node open, as far as visible."""
    mine = os.path.realpath(device)
    for entry in Path("/proc").glob("[0-9]*/fd/*"):
        with contextlib.suppress(OSError):
            pid = entry.parts[2]
            if pid != str(os.getpid()) and os.readlink(entry) == mine:  # noqa: PTH115 - many, so the quick way
                name = Path("/proc", pid, "comm").read_text(encoding="utf-8", errors="replace").strip()
                return f"another program ({name}, process {pid})"
    return "another program"


def _names_there() -> str:
    entries = list(list_ports.comports())
    usb = [
        port for port in entries if getattr(port, "vid", None) is not None
    ]  # others do not support the rate of the bus
    return ", ".join(sorted(port.device for port in usb or entries))


def _ports_there() -> str:
    names = _names_there()
    return f"this machine has {names or 'no serial port; plug the adapter in, or try virtual:'}"


def _plug_in() -> str:
    names = _names_there()
    if names:
        return f"plug it in; `busbench ports` lists what is there, now {names}"
    return "plug it in; `busbench ports` lists what is there, now none; or try virtual:"


def _open_url(url: str, line: LineSettings) -> Any:
    handle = serial.serial_for_url(url, do_not_open=True)
    # Set before opening: each later change sets the whole port again.
    handle.baudrate, handle.parity, handle.stopbits = line.baud, line.parity, line.stop_bits
    handle.timeout = 0.2
    if isinstance(handle, serial.Serial) and sys.platform != "win32":  # a device in spy:// or alt://
        handle.exclusive = True
    handle.open()
    return handle


def descriptor(port: Any) -> int | None:
    """A descriptor for `select` and `os.read`, None for ports that must be polled."""
    if sys.platform == "win32":
        return None
    try:
        number = port.fileno()
    except (io.UnsupportedOperation, AttributeError, OSError):
        return None
    return int(number) if isinstance(number, int) and number >= 0 else None


def close_port(port: Any) -> None:
    """Close a port in any state."""
    with contextlib.suppress(Exception):  # an unplugged port may raise anything, OSError and termios.error alike
        port.close()
    if isinstance(lock := getattr(port, "busbench_lock", None), DeviceLock):
        lock.release()
