"""Channels as people list them, wherever an option names one."""

from __future__ import annotations

import pytest

from busbench.cli.numbers import each_channel
from tests.cli.running import call


@pytest.mark.parametrize(
    ("words", "channels"),
    [
        ((3,), [3]),
        (("1-4", 9, "17,18"), [1, 2, 3, 4, 9, 17, 18]),
        (("1-16",), list(range(1, 17))),
        (("4-1",), ["4-1"]),
        (("0-3",), ["0-3"]),
        (("1-19",), ["1-19"]),
        (("1-999999999999",), ["1-999999999999"]),
        (("1-2-3",), ["1-2-3"]),
        (("rudder",), ["rudder"]),
        (("1,",), ["1,"]),
    ],
)
def test_each_channel(words: tuple[int | str, ...], channels: list[int | str]) -> None:
    assert list(each_channel(words)) == channels


def test_wherever_drive_names_one(capfd: pytest.CaptureFixture[str]) -> None:
    words = "drive sweep --channel 1-2,4 --lock 5-6 --motor 7-8=-100 --period 4 --preview --ascii"
    ran = call(capfd, *words.split())
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert [line for line in lines if "from 0 s" in line] == [
        f"channel {channel}: from 0 s: sweep, 1 cycle of 4 s" for channel in (1, 2, 4)
    ]
    assert [line for line in lines if "locked" in line] == [
        "channel 5: locked at 0.0 % (992 counts)",
        "channel 6: locked at 0.0 % (992 counts)",
        "channel 7 (motor): locked at -100.0 % (173 counts)",
        "channel 8 (motor): locked at -100.0 % (173 counts)",
    ]
