"""The port process by itself: what it reports of a port that stays away, and what it still hands over at its end."""

from __future__ import annotations

from time import perf_counter_ns
from typing import Any, cast

import pytest

from busbench.errors import PortDenied
from busbench.port import port_process
from busbench.port.ipc import EventKind
from busbench.port.port_process import PortProcess


class SlowHub:
    """A hub whose parent fetches a little at each look."""

    def __init__(self, unfetched: int) -> None:
        self.unfetched = unfetched

    def wait(self, timeout_s: float, *, holds_back: bool) -> None:
        assert (timeout_s, holds_back) == (0.05, True)
        self.unfetched -= 1


def process() -> Any:
    """One without a port, made without its settings."""
    return cast(Any, object.__new__(PortProcess))


def test_what_the_parent_has_not_fetched_is_handed_over_at_the_end() -> None:
    one = process()
    one._hub = SlowHub(3)
    one._drain_parent()
    assert one._hub.unfetched == 0


def test_a_port_that_is_back_but_cannot_be_opened_is_reported_once_and_after_five_seconds(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def refuse(identity: object) -> str:
        raise PortDenied("/dev/ttyUSB0", "cannot be opened (no permission)")

    monkeypatch.setattr(port_process, "find_again", refuse)
    one, told = process(), []
    one._identity, one._is_complaint_told = None, False
    one._tell = lambda kind, text: told.append((kind, text))
    for away_s in (1, 4, 6, 7):
        one._gone_ns = perf_counter_ns() - away_s * 1_000_000_000
        one._try_again()
        assert len(told) == (away_s >= 6)
    assert told == [(EventKind.WARNING, "/dev/ttyUSB0: cannot be opened (no permission)")]
