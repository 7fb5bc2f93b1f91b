"""Fixtures of the tests of ports."""

from __future__ import annotations

import os
from types import SimpleNamespace
from typing import Any

import pytest

from busbench.port import port_process
from tests.port.loops import Loop


@pytest.fixture
def loop(monkeypatch: pytest.MonkeyPatch) -> Loop:
    made = Loop()

    def set_priority(process: int, policy: int, what: Any) -> None:
        assert process == 0
        made.priorities.append((policy, what.sched_priority))

    port = SimpleNamespace(port="far")
    monkeypatch.setattr(port_process, "perf_counter_ns", made.clock)
    monkeypatch.setattr(port_process, "real_ns", made.clock)
    monkeypatch.setattr(port_process, "sleep", lambda s: setattr(made, "now_ns", made.now_ns + round(s * 1e9)))
    monkeypatch.setattr(port_process, "open_port", lambda source, line: port)
    monkeypatch.setattr(port_process, "close_port", lambda port: made.done.append("close"))
    monkeypatch.setattr(port_process, "claim_socket", lambda source: None)
    monkeypatch.setattr(port_process, "find_again", made.look)
    monkeypatch.setattr(port_process, "gc", SimpleNamespace(collect=int, freeze=int, disable=int))
    monkeypatch.setattr(os, "sched_setscheduler", set_priority, raising=False)
    return made
