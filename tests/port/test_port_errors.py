"""One class for each cause, so that a script decides without reading English; the log has what a process printed."""

from __future__ import annotations

import errno
import logging
import os
import signal
from pathlib import Path

import pytest

from busbench.cli.main import run
from busbench.errors import PortBusy, PortDenied, PortError, PortLost, PortMissing
from busbench.port.open_serial import translated
from busbench.port.port import open_client
from tests.port.ends import Far, Seen, read_until


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PortMissing) as raised:
        open_client(str(tmp_path / "none"))
    assert (raised.value.port, raised.value.problem) == (str(tmp_path / "none"), "port not found")


@pytest.mark.parametrize(
    ("code", "cause"),
    [
        (errno.EACCES, PortDenied),
        (errno.EBUSY, PortBusy),
        (errno.EAGAIN, PortBusy),
        (errno.EIO, PortLost),
        (errno.ENXIO, PortLost),
        (errno.EINVAL, PortError),
    ],
)
def test_what_the_system_says_has_its_class(code: int, cause: type[PortError]) -> None:
    with pytest.raises(PortError) as raised, translated("/dev/port", "/dev/port"):
        raise OSError(code, os.strerror(code))
    assert type(raised.value) is cause


def test_a_killed_process_is_a_lost_port_and_its_end_is_logged(far: Far, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "busbench"), open_client(far.name) as port:
        os.kill(port.pid, signal.SIGKILL)  # type: ignore[attr-defined]
        with pytest.raises(PortLost):
            read_until(port, Seen(), lambda seen: False)
    assert [record.levelname for record in caplog.records] == ["INFO", "ERROR"]
    assert caplog.records[1].getMessage().startswith(f"{far.name}: the port's process ended (exit code ")


def test_the_log_of_a_command_names_what_happened(far: Far, tmp_path: Path) -> None:
    log = tmp_path / "bench.log"
    assert run(["--log", str(log), "probe", far.name, "--seconds", "0.2"]) == 1
    assert f"INFO {far.name}: opened: " in log.read_text(encoding="utf-8")
    logging.getLogger("busbench").handlers[-1].close()
    del logging.getLogger("busbench").handlers[1:]


def test_a_log_that_cannot_be_written_ends_in_one_line(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = tmp_path / "no" / "bench.log"
    assert run(["--log", str(path), "ports"]) == 2
    assert capsys.readouterr().err == f"busbench: {path}: folder not found: make it first\n"
