"""Options for motors and locks, with a plan, another aircraft, or none."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from busbench.bench.plan_limits import MotorOption
from busbench.cli.limit_options import channel_index, limit_sources
from busbench.errors import DriveError
from busbench.rig.load import parse_rig
from tests.cli.running import SMALL

RIG = parse_rig(SMALL)


@pytest.fixture
def plans(tmp_path: Path) -> tuple[str, str]:
    """Two plans."""
    for name in ("a", "b"):
        (tmp_path / f"{name}.toml").write_text(SMALL.replace("Heron", name), encoding="utf-8")
    return str(tmp_path / "a.toml"), str(tmp_path / "b.toml")


def test_a_virtual_aircraft_is_the_plan_or_another_beside_it(plans: tuple[str, str]) -> None:
    a, b = plans

    def names(**given: Any) -> tuple[list[str], str | None]:
        found = limit_sources(**given)
        aircraft = None if found.aircraft is None else found.aircraft[1].plan.name
        return [rig.plan.name for _, rig in found.plans], aircraft

    assert names() == ([], None)
    assert names(rig=a) == (["a"], None)
    assert names(source=f"virtual:{b}") == (["b"], None)
    assert names(rig=a, source=f"virtual:{b}") == (["a"], "b")
    assert names(rig=a, source=f"virtual:{a}") == (["a"], None)
    assert names(rig=a, source="virtual:") == (["a"], None)
    assert names(rig=a, source="/dev/ttyHERON") == (["a"], None)


@pytest.mark.parametrize(
    ("texts", "motors"),
    [
        (("3",), [MotorOption(2)]),
        (("3=-100", "18=on"), [MotorOption(2, -100.0), MotorOption(17, 100.0)]),
        (("1-2=95.5", "17=off"), [MotorOption(0, 95.5), MotorOption(1, 95.5), MotorOption(16, -100.0)]),
        (("16=90",), [MotorOption(15, 90.0)]),
    ],
)
def test_motors_with_and_without_a_rest_value(texts: tuple[str, ...], motors: list[MotorOption]) -> None:
    assert list(limit_sources(motors=texts).motors) == motors


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("17=-100", '--motor: "-100" is not a state of channel 17: give on or off'),
        ("16=off", '--motor: "off" is not a rest value: give percent, as in --motor 3=-100'),
        ("3=", '--motor: "" is not a rest value: give percent, as in --motor 3=-100'),
        ("x=-100", '--motor: "x" is not a channel: give 1 to 18'),
        ("0", "--motor: 0 is not a channel: give 1 to 18"),
    ],
)
def test_motors_that_cannot_be(text: str, says: str) -> None:
    with pytest.raises(DriveError) as caught:
        limit_sources(motors=(text,))
    assert str(caught.value) == says


def test_channels_are_numbered_from_1_and_a_name_has_its_number_in_the_hint() -> None:
    assert [channel_index("lock", number, None) for number in (1, 18)] == [0, 17]
    assert limit_sources(locks=(1, 18)).locks == (0, 17)
    for number, rig, says in (
        (0, None, "--lock: 0 is not a channel: give 1 to 18"),
        (19, RIG, "--lock: 19 is not a channel: give 1 to 18"),
        ("rudder", RIG, '--lock: "rudder" is not a channel: give 1 to 18 (rudder is 2)'),
        ("rudder", None, '--lock: "rudder" is not a channel: give 1 to 18'),
        ("flap", RIG, '--lock: "flap" is not a channel: give 1 to 18'),
    ):
        with pytest.raises(DriveError) as caught:
            channel_index("lock", number, rig)
        assert str(caught.value) == says
