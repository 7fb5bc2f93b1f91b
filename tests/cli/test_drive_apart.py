"""A rehearsal says which devices are not at neutral at level 0, and by how much."""

from __future__ import annotations

import dataclasses

import pytest

from busbench.cli.drive_output import _apart
from busbench.wire.scale import Scale
from tests.drive.helpers import make
from tests.rig.rigs import device, rig


@pytest.mark.parametrize(
    ("states", "said"),
    [
        ((), []),
        # 20 µs are 32 counts of 819: the neutral lies there, and at 992 counts the servo is as far to the other side.
        (("neutral_us = 1520",), ["rudder: its neutral lies at level +3.9 %, so at level 0 it is at -3.9 %"]),
        (("neutral_us = 1480",), ["rudder: its neutral lies at level -3.9 %, so at level 0 it is at +3.9 %"]),
        (
            ("neutral_us = 1520", "reversed = true"),
            ["rudder: its neutral lies at level +3.9 %, so at level 0 it is at +3.9 %"],
        ),
        # Half a percent is 4.1 counts.
        (("neutral_us = 1502.5",), []),
        (("neutral_us = 1497.5",), []),
        (("neutral_us = 1503.125",), ["rudder: its neutral lies at level +0.6 %, so at level 0 it is at -0.6 %"]),
    ],
)
def test_a_device_with_another_neutral_is_named(states: tuple[str, ...], said: list[str]) -> None:
    program = make({"shape": "hold", "channel": 6, "level": 992, "duration": 0.5})
    assert list(_apart(rig(device("rudder", 6, *states)), program, ["rudder"])) == said
    assert list(_apart(rig(device("rudder", 6, *states)), program, ["gear"])) == []


def test_neither_the_scale_of_the_program_nor_a_switch_is_taken_for_neutral() -> None:
    program = make({"shape": "hold", "channel": 6, "level": 992, "duration": 0.5})
    shifted = dataclasses.replace(program, scale=Scale(1024, 1520, 0.625))
    plan = rig(device("rudder", 6), device("release", 17), device("last", 16, "neutral_us = 1520"))
    assert list(_apart(plan, shifted, ["rudder", "release", "last"])) == [
        "rudder: its neutral lies at level -3.9 %, so at level 0 it is at +3.9 %",
    ]
