"""The parts of the pytest plugin: whose port, which checks, how many frames, and where recordings are kept."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from busbench.bench.sources import open_source
from busbench.pytest_plugin import (
    Aircraft,
    BusRecorder,
    _bus_of,
    _keep,
    _require_frames,
    pytest_pyfunc_call,
    pytest_runtest_makereport,
)
from busbench.verify.result import Check, Verdict

FAILED = pytest.fail.Exception


@pytest.mark.parametrize(
    ("ports", "worker", "port"),
    [
        ([], None, "virtual:"), ([], "gw7", "virtual:"), (["virtual:?seed=3"], "gw7", "virtual:?seed=3"),
        (["a"], None, "a"), (["a", "b"], None, "a"), (["a", "b"], "gw1", "b"),
        (["virtual:", "virtual:?seed=3"], "gw1", "virtual:?seed=3"),
        (["a"], "gw1", None), (["a", "b"], "gw2", None),
    ],
)  # fmt: skip
def test_each_worker_has_its_port_and_all_may_share_a_virtual_one(
    monkeypatch: pytest.MonkeyPatch, ports: list[str], worker: str | None, port: str | None
) -> None:
    monkeypatch.delenv("PYTEST_XDIST_WORKER", raising=False)
    if worker is not None:
        monkeypatch.setenv("PYTEST_XDIST_WORKER", worker)
    if port is not None:
        assert _bus_of(ports) == port
        return
    with pytest.raises(FAILED, match=r"^worker \d has no port: give --bus=PORT once per worker of -n$"):
        _bus_of(ports)


def recordings(*rows: tuple[int, int | None]) -> Any:
    """Recordings of so many frames, of which so many are missed."""
    return [
        SimpleNamespace(frames=range(frames), outages=lambda missed=missed: SimpleNamespace(missed=missed))
        for frames, missed in rows
    ]


@pytest.mark.parametrize(
    ("made", "wanted", "words"),
    [
        (recordings((1, None)), {}, ""), (recordings(), {}, "0 frames recorded, at least 1 wanted"),
        (recordings((0, 0)), {}, "0 frames recorded, at least 1 wanted"), (recordings(), {"least": 0}, ""),
        (recordings((5, 0), (5, 0)), {"least": 10}, ""),
        (recordings((5, 0), (5, 0)), {"least": 11}, "10 frames recorded, at least 11 wanted"),
        (recordings((5, 1), (5, 2)), {"most_missed": 3}, ""),
        (recordings((5, 1), (5, 2)), {"most_missed": 2}, "frames: 3 missed, at most 2 wanted"),
        (recordings((5, 1)), {"most_missed": 0}, "frames: 1 missed, at most 0 wanted"),
        (recordings((5, 0), (5, None)), {"most_missed": 9}, "frames: cannot be counted, at most 9 wanted"),
    ],
)  # fmt: skip
def test_frames_are_counted_over_all_recordings_of_a_test(made: Any, wanted: dict[str, int], words: str) -> None:
    if not words:
        _require_frames(made, **wanted)
        return
    with pytest.raises(FAILED, match=f"^{words}$"):
        _require_frames(made, **wanted)


def test_a_recording_is_kept_once_for_each_failure(tmp_path: Path) -> None:
    config = SimpleNamespace(
        invocation_params=SimpleNamespace(dir=tmp_path), getoption={"--keep-recordings": "kept/here"}.get
    )
    item: Any = SimpleNamespace(config=config, nodeid="tests/test_a.py::test_b[1 2]")
    path = tmp_path / "bus-1.pcapng"
    names = []
    for text in ("one", "two", "three"):
        path.write_text(text)
        kept = _keep(path, item)
        assert kept.parent == tmp_path / "kept" / "here"
        names.append((kept.name, kept.read_text()))
    stem = "tests-test_a.py-test_b-1-2-bus-1"
    assert names == [(f"{stem}.pcapng", "one"), (f"{stem}-2.pcapng", "two"), (f"{stem}-3.pcapng", "three")]


def test_each_recording_has_its_file_and_ends_with_its_source(tmp_path: Path) -> None:
    with open_source("virtual:?speed=max&period=10ms&duration=1s") as port:
        recorder = BusRecorder(port, tmp_path)
        assert len(recorder(seconds=0).frames) == 0
        assert len(recorder(seconds=600).frames) == 100
    assert [path.name for path in recorder.paths] == ["bus-1.pcapng", "bus-2.pcapng"]
    assert [len(one.frames) for one in recorder.made] == [0, 100]


CHECKS = (
    Check("channel", "channel 6 (rudder)", "low end", Verdict.PASS, "reached 173"),
    Check("channel", "channel 6 (rudder)", "high end", Verdict.FAIL, "reached 1500"),
    Check("channel", "channel 7 (rudder trim)", "low end", Verdict.NOT_TESTED, "it did not move"),
    Check("line", "line", "jitter", Verdict.PASS, "1 ms"),
)


@pytest.mark.parametrize(
    ("subject", "name", "lines"),
    [
        ("line", "", None), ("line", "jitter", None), ("6", "low end", None), ("channel 6", "low end", None),
        ("rudder", "high end", ["channel 6 (rudder): high end: fail: reached 1500"]),
        ("trim", "", ["channel 7 (rudder trim): low end: not tested: it did not move"]),
        ("rudder", "", ["channel 6 (rudder): high end: fail: reached 1500",
                        "channel 7 (rudder trim): low end: not tested: it did not move"]),
        ("rud", "", ["no check of rud"]), ("line", "period", ["no check of line: period"]),
    ],
)  # fmt: skip
def test_an_aircraft_passes_where_checks_exist_and_all_passed(subject: str, name: str, lines: list[str] | None) -> None:
    found: Any = SimpleNamespace(found=SimpleNamespace(checks=CHECKS))
    aircraft = Aircraft(found, Path("sequence.pcapng"))
    if lines is None:
        aircraft.require(subject, name)
        return
    with pytest.raises(FAILED) as caught:
        aircraft.require(subject, name)
    assert str(caught.value).splitlines() == lines


@pytest.mark.parametrize(
    ("when", "failed", "is_kept"),
    [("call", True, True), ("call", False, False), ("setup", True, False), ("teardown", True, False)],
)
def test_only_a_test_that_failed_keeps_its_recordings(tmp_path: Path, when: str, failed: bool, is_kept: bool) -> None:
    paths = [tmp_path / "bus-1.pcapng", tmp_path / "gone.pcapng"]
    paths[0].write_text("one")
    config = SimpleNamespace(
        invocation_params=SimpleNamespace(dir=tmp_path), getoption={"--keep-recordings": "kept"}.get
    )
    item: Any = SimpleNamespace(config=config, nodeid="a", stash=SimpleNamespace(get=lambda *_: paths))
    report: Any = SimpleNamespace(when=when, failed=failed, sections=[])
    hook = pytest_runtest_makereport(item)
    next(hook)
    with pytest.raises(StopIteration) as ended:
        hook.send(report)
    assert ended.value.value is report
    kept = tmp_path / "kept" / "a-bus-1.pcapng"
    assert report.sections == ([("busbench recording", str(kept))] if is_kept else [])
    assert kept.exists() is is_kept


@pytest.mark.parametrize(("has_mark", "frames", "fails"), [(True, 0, True), (True, 1, False), (False, 0, False)])
def test_a_marked_test_is_held_to_its_frames(
    monkeypatch: pytest.MonkeyPatch, has_mark: bool, frames: int, fails: bool
) -> None:
    mark = SimpleNamespace(kwargs={}) if has_mark else None
    made = recordings((frames, 0))
    item: Any = SimpleNamespace(get_closest_marker={"frames": mark}.get, stash=SimpleNamespace(get=lambda *_: made))
    hook = pytest_pyfunc_call(item)
    next(hook)
    with pytest.raises(FAILED if fails else StopIteration):
        hook.send(True)
