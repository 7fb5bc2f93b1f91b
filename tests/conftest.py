"""Rules for every test: the same surroundings everywhere, and no outside check left out in CI; far ends of ports."""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import sys
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from tests.port.ends import Far, Wire

OUTSIDE_MISSING = "outside tool missing:"

# What a terminal or a person's taste would change in the output of commands under test.
for name in ("COLUMNS", "LINES", "NO_COLOR", "FORCE_COLOR", "CLICOLOR", "CLICOLOR_FORCE", "COLORTERM", "PYTHONUTF8"):
    os.environ.pop(name, None)
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # a hundred commands are started, and each would compile everything
os.environ["OPENBLAS_NUM_THREADS"] = "1"  # each of them would start a thread of numpy's per core
os.environ["TERM"] = "xterm-256color"
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # in the background of a shell: what is started would inherit it
    signal.signal(signal.SIGINT, signal.default_int_handler)
if hasattr(signal, "SIGHUP") and signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:  # under nohup, the same
    signal.signal(signal.SIGHUP, signal.SIG_DFL)

# The same examples on every machine and no time limit on any of them.
settings.register_profile("busbench", deadline=None, derandomize=True, database=None, max_examples=50)
settings.load_profile("busbench")

POLICY = os.sched_getscheduler(0) if sys.platform == "linux" else 0


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--rows", type=int, metavar="N", help="of a test with more rows run N, evenly spread")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line(
        "markers", "every_row: the rows differ by what Python says or reads; --rows leaves none out"
    )


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out rows of long tables where only so many are wanted."""
    if (most := config.getoption("--rows")) is None:
        return
    kept: set[pytest.Item] = set()
    tables: dict[str, list[pytest.Item]] = {}
    for item in items:
        tables.setdefault(item.nodeid.partition("[")[0], []).append(item)
    for rows in tables.values():
        is_whole = len(rows) <= most or rows[0].get_closest_marker("every_row")
        kept |= set(rows) if is_whole else {rows[len(rows) * at // most] for at in range(most)}
    config.hook.pytest_deselected(items=[item for item in items if item not in kept])
    items[:] = [item for item in items if item in kept]


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Generator[None, object, object]:
    """Keep the collector of garbage from the tests themselves: it took a sixth of the time to search them again."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()
        gc.freeze()
        gc.set_threshold(20_000, 10, 20)  # each test leaves little that refers to itself


@pytest.hookimpl(wrapper=True)
def pytest_runtest_teardown(item: pytest.Item) -> Generator[None]:
    """Let no test go before others for good: with the right to it, a worker that did would starve the rest."""
    yield
    if sys.platform == "linux" and os.sched_getscheduler(0) != POLICY:
        os.sched_setscheduler(0, POLICY, os.sched_param(0))
        pytest.fail(f"{item.nodeid} changed the scheduling policy of the process that runs tests")


def _left_out(call_info: pytest.CallInfo[object]) -> str:
    """The reason of a skip that CI does not allow, or an empty string."""
    value = call_info.excinfo.value if call_info.excinfo else None
    reason = str(value.msg) if isinstance(value, pytest.skip.Exception) else ""
    return reason if reason.startswith(OUTSIDE_MISSING) and os.environ.get("CI") else ""


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    call: pytest.CallInfo[None],
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped and (reason := _left_out(call)):
        report.outcome = "failed"
        report.longrepr = f"CI must run every outside check: {reason}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    report = yield
    if report.skipped and OUTSIDE_MISSING in str(report.longrepr) and os.environ.get("CI"):
        report.outcome = "failed"
        report.longrepr = (
            f"CI must run every outside check: {report.longrepr[-1] if isinstance(report.longrepr, tuple) else ''}"
        )
    return report


@pytest.fixture
def far(tmp_path: Path) -> Iterator[Far]:
    from tests.port.ends import Far

    end = Far(tmp_path / "port")
    yield end
    end.unplug()


@pytest.fixture
def wire() -> Iterator[Wire]:
    import tty

    from tests.port.ends import Listener, Wire

    master, slave = os.openpty()
    tty.setraw(slave)
    wire = Wire(Listener(master), os.ttyname(slave))
    yield wire
    wire.listener.close()
    for fd in (master, slave):
        with contextlib.suppress(OSError):  # a test may have unplugged it
            os.close(fd)
