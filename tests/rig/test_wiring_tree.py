"""The wiring tree, row by row and drawn."""

from __future__ import annotations

import pytest

from busbench.errors import RigError
from busbench.rig.power import power_cases
from busbench.rig.topology import children, find_loose, hubs_downwards, path_to, require_tree, ring_text
from busbench.rig.wiring_tree import draw_tree, layout_tree
from tests.rig.rigs import HEAD, device, hub, rig

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


DEEP = rig(
    hub("a", "lead = {resistance_ohm = 0.1, length_m = 2}"),
    hub("b", 'from = "a"', "lead = {length_m = 1, area_mm2 = 0.25}"),
    hub("c", 'from = "a"'),
    hub("d"),
    device("x", 1, 'on = "b"'),
    device("y", 16, 'on = "c"', 'kind = "off-bus"', "motor = false"),
    device("z", 17, 'on = "d"', failsafe="100"),
    device("free", None, 'on = "d"'),
    device("s", 5, 'kind = "sensor"', failsafe=None),
    '[[feed]]\nto = "c"\nlead = {length_m = 1, area_mm2 = 0.5}\n[[feed]]\nto = "c"\nlead = {length_m = 2, awg = 18}\n',
    head=HEAD + "lead = {length_m = 0.2, awg = 16}\n",
)


def test_branches_of_every_form() -> None:
    assert draw_tree(layout_tree(DEEP)) == (
        "supply                         7.4 V\n"
        "└─ receiver                    0.2 m AWG 16\n"
        "   ├─ s (sensor)               0.3 m AWG 24\n"
        "   ├─ hub a                    2 m 100 mΩ\n"
        "   │  ├─ hub b                 1 m 0.25 mm²\n"
        "   │  │  └─  1 x               0.3 m AWG 24\n"
        "   │  └─ hub c                 0.3 m AWG 24, second feed 1 m 0.5 mm², second feed 2 m AWG 18\n"
        "   │     └─ 16 y (PWM device)  0.3 m AWG 24\n"
        "   └─ hub d                    0.3 m AWG 24\n"
        "      ├─ 17 z                  0.3 m AWG 24\n"
        "      └─ free                  0.3 m AWG 24"
    )
    plain = draw_tree(layout_tree(DEEP), is_ascii=True)
    assert plain.splitlines()[4:8] == [
        "   |  +- hub b                 1 m 0.25 mm2",
        "   |  |  `-  1 x               0.3 m AWG 24",
        "   |  `- hub c                 0.3 m AWG 24, second feed 1 m 0.5 mm2, second feed 2 m AWG 18",
        "   |     `- 16 y (PWM device)  0.3 m AWG 24",
    ]


def test_figures_stand_below_one_another() -> None:
    draws = "current_a = {idle = 0, moving = 10}"
    plan = rig(device("a", 1, draws, "lead = {resistance_ohm = 0.1}"), device("b", 2, "current_a = {}"), head=HEAD)
    rows = layout_tree(plan, case=power_cases(plan)[1])
    assert draw_tree(rows) == (
        "supply       7.4 V         7.40 V  10.00 A\n"
        "└─ receiver                7.40 V  10.00 A\n"
        "   ├─  1 a   100 mΩ        6.40 V  10.00 A\n"
        "   └─  2 b   0.3 m AWG 24  7.40 V   0.00 A"
    )
    assert [(row.voltage_v is None, row.current_a is None) for row in layout_tree(plan)] == [(True, True)] * 4
    assert [row.channel for row in rows] == [None, None, 1, 2]
    assert [row.kind for row in rows] == ["supply", "receiver", "servo", "servo"]


def test_hubs_downwards_come_after_their_parents_and_a_way_is_from_the_receiver() -> None:
    crossed = rig(hub("leaf", 'from = "stem"'), hub("stem"), hub("other"), device("x", 1, 'on = "leaf"'))
    order = [one.name for one in hubs_downwards(crossed)]
    assert sorted(order) == ["leaf", "other", "stem"]
    assert order.index("stem") < order.index("leaf")
    assert [one.name for one in path_to(crossed, "x")] == ["stem", "leaf"]
    assert [one.name for one in path_to(crossed, "leaf")] == ["stem", "leaf"]
    assert [one.name for one in path_to(crossed, "nothing")] == []
    below = children(crossed)
    assert {name: ([h.name for h in hubs], [d.name for d in devices]) for name, (hubs, devices) in below.items()} == {
        "receiver": (["stem", "other"], []), "stem": (["leaf"], []), "other": ([], []), "leaf": ([], ["x"]),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("tables", "rings", "hanging", "said"),
    [
        ((hub("a"), device("x", 1, 'on = "a"')), (), (), None),
        ((hub("a", 'from = "a"'),), (("a",),), (), "rig, hub: hubs form a ring: a → a"),
        (
            (hub("a", 'from = "b"'), hub("b", 'from = "a"'), hub("c", 'from = "d"'), hub("d", 'from = "c"')),
            (("a", "b"), ("c", "d")),
            (),
            "rig, hub: hubs form a ring: a → b → a",
        ),
        ((hub("a", 'from = "z"'),), (), (("a", "z"),), 'rig: "a" is connected to "z", which does not exist'),
        ((device("x", 1, 'on = "z"'),), (), (("x", "z"),), 'rig: "x" is connected to "z", which does not exist'),
        (
            ('[[feed]]\nto = "z"\nlead = {length_m = 1, awg = 20}\n',),
            (),
            (("feed to z", "z"),),
            'rig: "feed to z" is connected to "z", which does not exist',
        ),
        ((hub("a"), device("a", 1)), (), (), 'rig: the name "a" is used twice'),
        ((device("supply", 1),), (), (), 'rig: the name "supply" is used twice'),
        ((device("x", 1, 'on = "supply"'),), (), (("x", "supply"),),
         'rig: "x" is connected to "supply", which does not exist'),
    ],
)  # fmt: skip
def test_what_forms_no_tree(
    tables: tuple[str, ...], rings: tuple[tuple[str, ...], ...], hanging: tuple[tuple[str, str], ...], said: str | None
) -> None:
    loose = find_loose(rig(*tables))
    assert (loose.rings, loose.hanging, bool(loose)) == (rings, hanging, bool(rings or hanging))
    if said is None:
        require_tree(rig(*tables))
        return
    with pytest.raises(RigError) as caught:
        require_tree(rig(*tables))
    assert str(caught.value).startswith(said)
    assert str(caught.value).endswith("`busbench rig check` says what to do")


@pytest.mark.parametrize(("count", "said"), [(20, " → n19 → n0"), (21, " → n19 → … → n20 → n0")])
def test_a_long_ring_is_cut(count: int, said: str) -> None:
    text = ring_text(tuple(f"n{number}" for number in range(count)))
    assert text.startswith("n0 → n1 → n2")
    assert text.endswith(said)
