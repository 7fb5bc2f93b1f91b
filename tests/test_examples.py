"""The examples of the Python interface run as they are."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pyarrow as pa
import pytest

import busbench
from tests.cli.running import CAPTURES
from tests.port.ends import echoing

EXAMPLES = Path(__file__).parent / "examples"
SWEEP = """
frame_period = 0.007
[[part]]
channel = 1
shape = "sine"
low = -50
high = 50
period = 4
"""


def run(name: str, *words: object, cwd: Path) -> list[str]:
    command = [sys.executable, str(EXAMPLES / f"{name}.py"), *map(str, words)]
    done = subprocess.run(command, cwd=cwd, capture_output=True, text=True, check=False, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


def test_listening_stops_at_the_first_outage(tmp_path: Path) -> None:
    source = "virtual:?speed=max&period=10ms&lost=2:0.5&failsafe=6:1&duration=60s"
    assert run("first_outage", source, cwd=tmp_path) == ["lost 50"]


@pytest.fixture
def loop() -> Iterator[str]:
    with echoing(lambda data: data) as (port,):
        yield port


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
def test_a_sweep_is_measured_on_a_loop(tmp_path: Path, loop: str) -> None:
    (tmp_path / "sweep.toml").write_text(SWEEP)
    lines = run("sweep_on_a_loop", loop, tmp_path / "sweep.toml", cwd=tmp_path)
    sent, back = lines[0].split()[0], lines[0].split()[2]
    assert sent == back
    assert int(sent) >= 571  # four seconds of frames, and those in which it comes to rest
    assert lines[1] == "channel 1 from 583 to 1401"  # within 992 counts and half of 819.2 either side


def test_a_receiver_is_verified(tmp_path: Path) -> None:
    rig = CAPTURES / "heron.toml"
    assert run("verify_a_receiver", CAPTURES / "heron-round.pcapng", rig, cwd=tmp_path)[-1] == "pass"
    assert "<html" in (tmp_path / "page.html").read_text(encoding="utf-8")
    faulty = run("verify_a_receiver", CAPTURES / "heron-round-faulty.pcapng", rig, cwd=tmp_path)
    assert faulty[-1] == "fail"
    assert any(line.startswith("fail channel ") for line in faulty)


def test_a_notebook_shows_results_and_reads_frames() -> None:
    recording = busbench.read_recording(CAPTURES / "heron-flight.pcapng")
    for shown in (recording, recording.outages(), recording.timing(), recording.channels()):
        html = shown._repr_html_()
        assert html.startswith("<table><tr><th>")
        assert html.count("<table>") == html.count("</table>")
    assert "<th>missed</th>" in recording._repr_html_()
    table = pa.table(recording)
    assert table.num_rows == len(recording.frames)
    assert table.column("ch1").to_pylist() == recording.frames.channels[:, 0].tolist()


def test_the_interface_is_as_it_was_designed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each line is like one that scripts may write; nothing but the sources is made up."""
    monkeypatch.chdir(tmp_path)
    rec = busbench.read_recording(CAPTURES / "heron-round.pcapng")
    with (CAPTURES / "heron-round.pcapng").open("rb") as file:
        assert len(busbench.read_recording(file).frames) == len(rec.frames)
    assert (type(rec.outages()), type(rec.timing())) == (busbench.Outages, busbench.Timing)
    assert type(rec.channels()) is busbench.Channels
    rig = busbench.read_rig(CAPTURES / "heron.toml")
    assert rig.check() == []
    assert {type(case) for case in rig.power()} == {busbench.LoadCase}
    Path("sweeps.toml").write_text(SWEEP.replace("period = 4", "period = 0.5"), encoding="utf-8")
    program = busbench.read_program("sweeps.toml").locked_for(rig)
    assert type(program) is busbench.LockedProgram
    assert type(busbench.read_program("sweeps.toml").without_motor()) is busbench.LockedProgram
    assert type(busbench.read_program("sweeps.toml").with_motor(8)) is busbench.LockedProgram
    with busbench.open_port("virtual:?speed=max&duration=2s") as port:
        came = sum(len(frames) for frames in busbench.Receiver(port, record="x.pcapng"))
    assert came == len(busbench.read_recording("x.pcapng").frames)
    report = busbench.sign_off(rec, rig, answers=None, pulses=None)
    report.write_page("x.html")
    assert "heron-round.pcapng" in Path("x.html").read_text(encoding="utf-8")
    assert (type(report), report.verdict) == (busbench.SignOff, busbench.Verdict.PASS)


async def test_a_port_is_listened_to_beside_other_tasks() -> None:
    with busbench.open_port("virtual:?speed=max&period=10ms&duration=2s") as port:
        assert sum([len(frames) async for frames in busbench.Receiver(port)]) == 200


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals")
def test_a_real_port_is_driven_by_who_armed_it(loop: str, tmp_path: Path) -> None:
    path = tmp_path / "sweeps.toml"
    path.write_text(SWEEP.replace("period = 4", "period = 0.5"), encoding="utf-8")
    program = busbench.read_program(path).without_motor()
    with busbench.open_port(loop) as port:
        with pytest.raises(busbench.DriveError, match="it is not armed"):
            busbench.DriveRun(port, program, armed=False)
        how = busbench.DriveRun(port, program, armed=True).wait()
    assert (type(how), how.frames >= 71) == (busbench.Transmission, True)


def test_names_in_results_are_escaped() -> None:
    from busbench.analysis.notebook import html_of

    assert html_of({"a": "<b>", "c": [{"d": None}, {"d": 0.5}], "e": [1, 2]}) == (
        "<table><tr><th>a</th><td>&lt;b&gt;</td></tr>"
        "<tr><th>c</th><td><table><tr><th>d</th></tr><tr><td>–</td></tr><tr><td>0.5</td></tr></table></td></tr>"
        "<tr><th>e</th><td>1, 2</td></tr></table>"
    )
