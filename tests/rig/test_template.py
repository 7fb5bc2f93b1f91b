"""The commented rig file to start from, as text."""

from __future__ import annotations

import re

from busbench.rig.template import STARTER


def block(heading: str) -> list[str]:
    return next(block for block in STARTER.rstrip("\n").split("\n\n") if heading in block).splitlines()


def test_tables_with_and_without_comments() -> None:
    assert block("[rig]") == [
        "[rig]",
        'name = "My aircraft"     # name of the aircraft',
        "period_ms = 14.0         # frame period the receiver is set to, often 7, 14 or 15",
        "# sensor_slots = false   # true if the receiver leaves slots for sensors",
    ]
    assert block('name = "right wing"') == [
        "[[hub]]",
        'name = "right wing"',
        'from = "receiver"',
        "lead = { length_m = 0.8, awg = 20, connector_ohm = 0.01 }",
        "limit_a = 5",
    ]
    assert block("[[feed]]") == [
        "# A second supply lead straight to a hub.",
        "# [[feed]]",
        '# to = "left wing"       # name of the hub',
        "# lead = { length_m = 1.0, awg = 18 }  # from the supply to that hub",
    ]
    assert block('name = "motor"') == [
        "# A speed controller is connected to an ordinary pulse lead of the receiver. An engine",
        "# also needs idle_pct and ignition_kill.",
        "# [[device]]",
        '# name = "motor"',
        '# kind = "off-bus"',
        "# channel = 3",
        '# motor = "electric"',
        '# control = "motor slider"',
        "# rest_pct = -100",
        "# failsafe = -100",
        "# lead = { length_m = 0.2, awg = 22 }",
        "# current_a = { idle = 0 }",
    ]
    assert block("[supply.pack]") == [
        "[supply.pack]",
        "cells = 2                # number of cells in series",
        "capacity_mah = 3000      # capacity as marked",
        "# usable_pct = 80        # how much of the capacity may be used",
    ]


def test_comments_stand_in_one_column_and_are_wrapped() -> None:
    commented = [
        line for heading in ("[rig]", "[supply]", 'name = "left wing"', 'name = "left aileron"', "[verify]")
        for line in block(heading) if re.match(r"(# )?\w+ = ", line)
    ]  # fmt: skip
    assert len(commented) > 50
    for line in commented:
        value, _, text = line.removeprefix("# ").partition("  # ")
        at = line.index(text) - 2
        assert at == max(25, len("# " * line.startswith("# ") + value.rstrip()) + 2), line
        assert len(text) <= 85
    more = [line for line in STARTER.splitlines() if line.startswith("#   ")]
    assert more
    assert all(re.fullmatch(r"#" + " " * 24 + r"# \S.{0,84}", line) for line in more)
    about = [line for line in STARTER.splitlines() if re.match(r"# [A-Z]", line)]
    assert all(len(line) <= 88 for line in about)
    assert (
        "minimum_v = 5.0          # voltage that every device and the receiver need; without it there is no warning"
        in ("\n".join(block("[supply]")))
    )
