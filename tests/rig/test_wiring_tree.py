"""The wiring tree, row by row and drawn."""

from __future__ import annotations

import pytest

from busbench.errors import RigError
from busbench.rig.power import power_cases
from busbench.rig.wiring_tree import draw_tree, layout_tree
from tests.rig.rigs import device, hub, rig

PLAN = rig(
    hub("wing", 'from = "receiver"', "lead = {length_m = 0.8, awg = 20}"),
    hub("tip", 'from = "wing"'),
    device("flap", 3, 'on = "wing"'),
    device("aileron", 12, 'on = "tip"'),
    device("motor", 1, 'kind = "off-bus"', "motor = true", failsafe="-100"),
    device("pack", None, 'kind = "sensor"', 'on = "tip"', "lead = {resistance_ohm = 0.02}", failsafe=None),
    '[[feed]]\nto = "wing"\nlead = {length_m = 1, area_mm2 = 0.5}\n',
)


def test_drawn_with_lines() -> None:
    assert draw_tree(layout_tree(PLAN)) == (
        "supply                       7.4 V\n"
        "└─ receiver\n"
        "   ├─  1 motor (PWM device)  0.3 m AWG 24\n"
        "   └─ hub wing               0.8 m AWG 20, second feed 1 m 0.5 mm²\n"
        "      ├─  3 flap             0.3 m AWG 24\n"
        "      └─ hub tip             0.3 m AWG 24\n"
        "         ├─ 12 aileron       0.3 m AWG 24\n"
        "         └─ pack (sensor)    20 mΩ"
    )


def test_drawn_in_ascii_with_volts_and_amperes() -> None:
    moving = power_cases(rig(device("a", 1), device("b", 2)))[1]
    rows = layout_tree(rig(device("a", 1), device("b", 2)), case=moving)
    assert draw_tree(rows, title="all moving", is_ascii=True) == (
        "all moving   lead          voltage  current\n"
        "supply       7.4 V          7.40 V   1.00 A\n"
        "`- receiver                 7.40 V   1.00 A\n"
        "   +-  1 a   0.3 m AWG 24   7.37 V   0.50 A\n"
        "   `-  2 b   0.3 m AWG 24   7.37 V   0.50 A"
    )
    assert draw_tree(layout_tree(PLAN), is_ascii=True).isascii()


def test_rows_know_their_parents() -> None:
    rows = layout_tree(PLAN)
    assert [(row.name, row.depth, row.parent, row.is_last) for row in rows] == [
        ("supply", 0, -1, True),
        ("receiver", 1, 0, True),
        ("motor", 2, 1, False),
        ("wing", 2, 1, True),
        ("flap", 3, 3, False),
        ("tip", 3, 3, True),
        ("aileron", 4, 5, False),
        ("pack", 4, 5, True),
    ]


def test_leads_in_a_ring_are_no_tree() -> None:
    with pytest.raises(RigError, match="a → b → a"):
        layout_tree(rig(hub("a", 'from = "b"'), hub("b", 'from = "a"')))
