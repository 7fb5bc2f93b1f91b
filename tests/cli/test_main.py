"""What every command line has around it: signals, closed streams, a log, and the file that is standard input."""

from __future__ import annotations

import io
import logging
import os
import re
import signal
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from busbench.cli import main
from tests.cli.running import CAPTURES, call

HANG_UP: Any = getattr(signal, "SIGHUP", None)  # of POSIX alone
posix = pytest.mark.skipif(sys.platform == "win32", reason="SIGHUP is one of POSIX")


@contextmanager
def handled(handlers: dict[Any, Any]) -> Iterator[None]:
    """Signals that the process handles in another way meanwhile."""
    before = {number: signal.signal(number, handler) for number, handler in handlers.items()}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def handlers() -> tuple[object, object]:
    return signal.getsignal(signal.SIGTERM), signal.getsignal(HANG_UP)


def handlers_in_a_command(monkeypatch: pytest.MonkeyPatch) -> tuple[object, object]:
    seen: list[tuple[object, object]] = []

    def run(_: list[str]) -> int:
        seen.append(handlers())
        return 0

    monkeypatch.setattr(main, "_run", run)
    assert main.run([]) == 0
    return seen[0]


@posix
def test_signals_that_end_a_process_are_ctrl_c_while_a_command_runs(monkeypatch: pytest.MonkeyPatch) -> None:
    def own(*_: object) -> None: ...

    ends, ctrl_c = signal.SIG_DFL, signal.default_int_handler
    for before, meanwhile in (
        ((ends, ends), (ctrl_c, ctrl_c)),
        ((ends, signal.SIG_IGN), (ctrl_c, signal.SIG_IGN)),  # as nohup has it
        ((own, ends), (own, ctrl_c)),  # as a program around it has it
    ):
        with handled(dict(zip((signal.SIGTERM, HANG_UP), before, strict=True))):
            assert handlers_in_a_command(monkeypatch) == meanwhile
            assert handlers() == before


@posix
def test_a_command_in_a_thread_leaves_signals_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[object] = []
    with handled({signal.SIGTERM: signal.SIG_DFL, HANG_UP: signal.SIG_DFL}):
        thread = threading.Thread(target=lambda: seen.append(handlers_in_a_command(monkeypatch)))
        thread.start()
        thread.join()
    assert seen == [(signal.SIG_DFL, signal.SIG_DFL)]


def test_streams_that_are_closed_are_replaced_and_others_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    opened = io.StringIO("yes"), io.StringIO(), io.StringIO()
    for number, name in enumerate(("stdin", "stdout", "stderr")):
        with monkeypatch.context() as patch:
            for other, stream in zip(("stdin", "stdout", "stderr"), opened, strict=True):
                patch.setattr(sys, other, None if other == name else stream)
            patch.setattr(main, "_run", lambda words: 0)
            main.run([])
            streams = sys.stdin, sys.stdout, sys.stderr
            with streams[number] as made:
                assert made.read() == "" if name == "stdin" else made.write("lost") == 4
                assert (made.name, made.encoding) == (os.devnull, "utf-8")
            assert [one for one in streams if one is not made] == [one for one in opened if one is not opened[number]]


def test_a_log_has_a_line_with_time_and_level_for_each_event_from_info_on(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path, logger = tmp_path / "µ.log", logging.getLogger("busbench")
    before = list(logger.handlers), logger.level
    try:
        assert call(capfd, "--log", path, "ports").code == 0
        for level in (logging.DEBUG, logging.INFO, logging.WARNING):
            logger.log(level, "20 µs")
        (line, other) = path.read_text(encoding="utf-8").splitlines()[-2:]
    finally:
        for handler in set(logger.handlers) - set(before[0]):
            logger.removeHandler(handler)
            handler.close()
        logger.setLevel(before[1])
    assert re.fullmatch(r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d,\d{3} INFO 20 µs", line)
    assert other.endswith(" WARNING 20 µs")
    assert "DEBUG" not in path.read_text(encoding="utf-8")


def test_a_file_that_is_standard_input_is_not_written_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "heron.vcd"
    path.write_bytes((CAPTURES / "heron-line.vcd").read_bytes())
    kept = os.dup(0)
    with path.open("rb") as file:
        os.dup2(file.fileno(), 0)
        try:
            with io.TextIOWrapper(path.open("rb")) as stdin:
                monkeypatch.setattr(sys, "stdin", stdin)
                ran = call(capfd, "convert", "-", "-o", path, "--force")
        finally:
            os.dup2(kept, 0)
            os.close(kept)
    assert (ran.code, ran.err) == (2, f"busbench: {path}: is also an input file: choose another name\n")
    assert path.read_bytes() == (CAPTURES / "heron-line.vcd").read_bytes()
