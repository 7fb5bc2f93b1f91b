"""`busbench watch` as it is typed: what it opens, with which plan, and what the screens are given."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from busbench.cli.watch import command
from busbench.tui.opening import Opened
from tests.cli.running import CAPTURES, SMALL, invoke

HERON, FLIGHT, PAIR = CAPTURES / "heron.toml", CAPTURES / "heron-bench.pcapng", CAPTURES / "heron-pair.pcapng"


@pytest.fixture
def watched(monkeypatch: pytest.MonkeyPatch) -> dict[str, Any]:
    """What the screens are given, in place of screens, at a terminal."""
    given: dict[str, Any] = {}

    def make_app(first: Opened | None, **settings: Any) -> str:
        given.update(settings, first=first)
        return "the screens"

    terminal = SimpleNamespace(isatty=lambda: True)
    monkeypatch.setattr("busbench.tui.main.make_app", make_app)
    monkeypatch.setattr("busbench.tui.main.run", lambda app: given.update(shown=app))
    monkeypatch.setattr("busbench.tui.terminal.is_dumb", lambda: False)
    monkeypatch.setattr("busbench.cli.watch.sys", SimpleNamespace(stdin=terminal, stderr=terminal))
    return given


def watch(watched: dict[str, Any], *words: object) -> Opened | None:
    watched.clear()
    result = invoke(command, *words)
    assert result.exit_code == 0, result.exception
    assert watched["shown"] == "the screens"
    first: Opened | None = watched["first"]
    for session in [*watched["beside"], *([] if first is None else [first.session])]:
        session.close()
    return first


def test_a_plan_is_that_of_the_option_else_that_of_the_aircraft(watched: dict[str, Any], tmp_path: Any) -> None:
    small = tmp_path / "small.toml"
    small.write_text(SMALL, encoding="utf-8")
    for words, path, devices in (
        ((FLIGHT,), "", 0),
        ((FLIGHT, "--rig", HERON), str(HERON), 11),
        ((f"virtual:{HERON}",), str(HERON), 11),
        ((f"virtual:{HERON}", "--rig", small), str(small), 3),
    ):
        first = watch(watched, *words)
        assert first is not None
        assert (first.rig_path, 0 if first.rig is None else len(first.rig.devices)) == (path, devices)
    # Another source, chosen on a screen: its own plan, or one chosen there, comes before that of the option.
    opener = watched["opener"]
    for source, chosen, path in (
        (str(FLIGHT), "", str(small)),
        (str(FLIGHT), str(HERON), str(HERON)),
        (f"virtual:{HERON}", "", str(HERON)),
        (f"virtual:{HERON}", str(small), str(small)),
    ):
        opened = opener(source, chosen)
        opened.session.close()
        assert opened.rig_path == path


def test_faults_are_built_into_aircraft_alone(watched: dict[str, Any]) -> None:
    first = watch(watched, f"virtual:{HERON}", "--fault", "dead:rudder")
    assert first is not None
    assert [str(one) for one in first.faults] == ["dead:rudder"]
    for source, faults in ((str(FLIGHT), 0), (f"virtual:{HERON}?seed=3", 1)):
        opened = watched["opener"](source, "")
        opened.session.close()
        assert len(opened.faults) == faults


def test_without_a_source_one_is_chosen_on_the_screen(watched: dict[str, Any]) -> None:
    assert watch(watched, "--rig", HERON) is None
    assert watched["beside"] == []
    assert str(invoke(command, "--fault", "dead:rudder").exception).startswith("--fault: works with virtual:RIG only")
    assert str(invoke(command, "--motor", "19").exception) == "--motor: 19 is not a channel: give 1 to 18"


@pytest.mark.parametrize(("words", "beside"), [((FLIGHT,), 0), ((PAIR,), 1), ((PAIR, FLIGHT), 2), ((FLIGHT, PAIR), 2)])
def test_further_receivers_are_shown_beside_the_first(
    watched: dict[str, Any], words: tuple[object, ...], beside: int
) -> None:
    watch(watched, *words)
    assert len(watched["beside"]) == beside


def test_options_reach_the_screens(watched: dict[str, Any]) -> None:
    keys = ("rings", "is_ascii", "shade", "is_armed")
    watch(watched)
    assert [watched[key] for key in keys] == [False, False, None, False]
    watch(watched, "--bell", "--ascii", "--theme", "light", "--arm")
    assert [watched[key] for key in keys] == [True, True, "light", True]
    first = watch(watched, FLIGHT, "--motor", "3=-90", "--rig", HERON)
    assert first is not None
    assert [motor.channel for motor in first.sources.motors] == [2]
    first = watch(watched, FLIGHT, "--no-motor")
    assert first is not None
    assert first.sources.has_no_motor


@pytest.mark.parametrize("blind", ["stdin", "stderr"])
def test_without_a_terminal_it_refuses(watched: dict[str, Any], blind: str, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = {name: SimpleNamespace(isatty=lambda: True) for name in ("stdin", "stderr")}
    for other in (None, SimpleNamespace(isatty=lambda: False)):
        monkeypatch.setattr("busbench.cli.watch.sys", SimpleNamespace(**{**seen, blind: other}))
        said = str(invoke(command, FLIGHT).exception)
        assert said.startswith("watch: standard input or error is not a terminal: use `busbench outages`")
    monkeypatch.setattr("busbench.tui.terminal.is_dumb", lambda: True)
    assert str(invoke(command, FLIGHT).exception).startswith("watch: this terminal (TERM is dumb or not set) shows")
    assert not watched
