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
from busbench.line import Chunk
from busbench.port.open_serial import translated
from busbench.port.port import open_client
from busbench.port.port_client import PortClient
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


def test_a_read_waits_as_long_as_it_may_and_no_longer(monkeypatch: pytest.MonkeyPatch) -> None:
    """By a hand-held clock: in slices, and a last look when the time is over."""
    now_s, asked_s = [100.0], []

    def fetch(timeout_s: float) -> list[Chunk]:
        asked_s.append(round(timeout_s, 6))
        now_s[0] += timeout_s
        return []

    monkeypatch.setattr("busbench.port.port_client.time.monotonic", lambda: now_s[0])
    client = PortClient.__new__(PortClient)
    client._is_closed, client._early = False, []
    client._fetch = fetch  # type: ignore[method-assign]
    assert client.read(0.75) == []
    assert (sum(asked_s), asked_s[-1]) == (0.75, 0.0)
    asked_s.clear()
    assert client.read(0) == []
    assert asked_s == [0.0]
    client._early = [Chunk(1, b"a")]
    assert client.read(1.0) == [Chunk(1, b"a")]
    assert client._early == []
    client._is_closed = True
    client.source = "PORT"
    with pytest.raises(PortError, match="PORT: the port is closed"):
        client.read(0)
