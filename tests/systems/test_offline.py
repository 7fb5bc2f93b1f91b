"""Nothing is fetched and nothing is sent home: no network but the stream addresses that a person names."""

from __future__ import annotations

import ast
from pathlib import Path

from tests.systems.running import CAPTURES, file_lines, help_lines, run_lines, wrong
from tests.test_layering import PACKAGE, imported

NETWORK = {"ftplib", "http", "imaplib", "poplib", "smtplib", "socket", "socketserver", "ssl", "urllib", "webbrowser"}
NETWORK |= {"xmlrpc", "aiohttp", "httpx", "requests", "urllib3", "websockets"}


def test_all_runs_without_a_network(tmp_path: Path) -> None:
    lines = [*help_lines(), *file_lines(CAPTURES, tmp_path)]
    lines += [["record", "virtual:", "-o", str(tmp_path / "a.pcapng"), "--seconds", "0.1"]]
    report = run_lines([*lines, ["simulate", "--tcp", "0"]], cwd=tmp_path, imports=True, offline=True)
    assert report.imports == {}
    assert wrong(report.lines[:-1]) == []
    # The last shows that it would have been refused.
    assert report.lines[-1].code == 2
    assert "cannot be served (Operation not permitted)" in report.lines[-1].err


def test_only_the_ports_know_the_network() -> None:
    users = set()
    for path in PACKAGE.rglob("*.py"):
        place = path.relative_to(PACKAGE)
        tree = ast.parse(path.read_text(encoding="utf-8"))
        if any(name.split(".")[0] in NETWORK for _, name in imported(tree, ("busbench", *place.parts[:-1]))):
            users.add(place.as_posix())
    assert users == {
        "sim/playback.py",  # serves a TCP port
        "port/backlog.py",  # asks the system how much of the port's own socket is unsent
        "port/device_lock.py",  # a lock of this machine alone, by the port's address
        "sim/address.py",  # take an address apart
        "bench/sources.py",
        "capture/address.py",  # takes one apart too; what is elsewhere comes by fsspec alone
    }
