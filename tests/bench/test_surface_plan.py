"""What a walk will do, where its answers are, and which answers it goes on with."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from busbench.bench.plan_limits import PlanFaultError
from busbench.bench.surface_plan import WalkPlan, answers_path, begin_walk, now_utc, plan_walk
from busbench.drive.surface_file import write_walk
from busbench.errors import DriveError
from busbench.rig.load import parse_rig
from tests.rig.rigs import device, rig

TABLES = (
    device("rudder", 6),
    device("brake", 17, failsafe='"hold"'),
    device("fan", 3, "motor = true", failsafe="-100"),
)


def planned(port: str = "/dev/ttyEGRET", **more: float) -> WalkPlan:
    return plan_walk(rig(*TABLES), rig_path="egret.toml", port=port, **more)


def test_the_time_is_that_of_the_world_in_whole_seconds() -> None:
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", now_utc())


def test_what_will_move_is_said_with_its_range_and_what_will_not() -> None:
    assert list(planned().motion_lines()) == [
        "Heron: one after another, each after a word from you, all other channels held:",
        "  rudder, channel 6, right first: -100.0 to +100.0 % (173 to 1811 counts)",
        "  brake, channel 17, on first: on and off",
        "  fan is not walked: can turn a propeller, so its channel is locked",
    ]


@pytest.mark.parametrize(("port", "is_rehearsal"), [("/dev/ttyEGRET", False), ("virtual:", True)])
def test_the_head_says_how_it_is_walked(port: str, is_rehearsal: bool) -> None:
    head = planned(port, rate_pct_per_s=12.5).head
    assert (head.rig, head.port, head.is_rehearsal, head.period_s, head.rate_pct_per_s) == (
        "Heron", port, is_rehearsal, 0.014, 12.5,
    )  # fmt: skip
    assert [channel + 1 for channel in range(18) if head.limits.is_locked(channel)] == [3]
    plan = planned(port)
    assert plan.aircraft is plan.rig


@pytest.mark.parametrize("channel", [None, 19])
def test_a_plan_with_a_device_beside_the_frame_moves_nothing(channel: int | None) -> None:
    with pytest.raises(PlanFaultError, match="nothing moves with 1 fault in what is moved or held"):
        plan_walk(rig(*TABLES, device("spare", channel)), rig_path="egret.toml", port="virtual:")


def test_a_plan_without_a_servo_has_nothing_to_walk() -> None:
    with pytest.raises(DriveError, match=r"egret\.toml: has nothing to walk: state a servo on the bus, with its"):
        plan_walk(rig(TABLES[2]), rig_path="egret.toml", port="virtual:")


def test_another_aircraft_is_moved_where_the_port_names_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    text = '[rig]\nname = "Other"\nperiod_ms = 20\n[supply]\nvoltage_v = 6\n[[device]]\nname = "rudder"\nchannel = 6\n'
    Path("other.toml").write_text(text, encoding="utf-8")
    made = planned("virtual:other.toml")
    assert (made.aircraft.plan.name, made.rig.plan.name, made.head.period_s) == ("Other", "Heron", 0.014)
    assert made.sources.aircraft is not None
    own = plan_walk(parse_rig(text), rig_path="other.toml", port="virtual:other.toml")
    assert own.sources.aircraft is None


def test_answers_are_kept_beside_the_stem_of_the_plan() -> None:
    assert answers_path("there/egret.toml") == Path("egret.walk.json")


def test_answers_of_another_walk_are_not_gone_on_with(tmp_path: Path) -> None:
    plan, path = planned(), tmp_path / "egret.walk.json"
    assert begin_walk(plan).path is None
    assert begin_walk(plan, is_resumed=True).path is None
    assert begin_walk(plan, path=path).path == path
    start = begin_walk(plan)
    write_walk(path, replace(plan.head, start_utc="2026-05-01T09:30:00Z"), start.walk.entries)
    with pytest.raises(DriveError, match="file exists already: go on with it by --resume, or name another by"):
        begin_walk(plan, path=path)
    again = begin_walk(plan, path=path, is_resumed=True)
    assert (again.plan.head.start_utc, again.path, again.renewed) == ("2026-05-01T09:30:00Z", path, ())
    assert [entry.stop.name for entry in again.walk.entries] == ["rudder", "brake"]
    hint = ": move it away, or name another by `busbench walk --answers`"
    for other, words in (
        (planned("virtual:"), "holds answers of a real walk, not of a rehearsal"),
        (replace(plan, head=replace(plan.head, rig="Egret")), 'holds answers for "Heron", not for "Egret"'),
    ):
        with pytest.raises(DriveError) as caught:
            begin_walk(other, path=path, is_resumed=True)
        assert str(caught.value) == f"{path}: {words}{hint}"
    write_walk(path, planned("virtual:").head, start.walk.entries)
    with pytest.raises(DriveError, match="holds answers of a rehearsal, not of a real walk"):
        begin_walk(plan, path=path, is_resumed=True)
