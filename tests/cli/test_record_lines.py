"""What a recording of ports whose time is the test's says on the way and at its end."""

from __future__ import annotations

import threading
from collections.abc import Callable
from contextlib import nullcontext
from itertools import islice
from pathlib import Path
from types import SimpleNamespace

import pytest

from busbench.analysis.recording import read_recording
from busbench.cli import progress, rig_draft
from busbench.cli.main import run
from busbench.cli.record import RecordResult, _Together
from busbench.errors import SAFETY, PortError
from busbench.line import BUS_LINE, Chunk
from busbench.model import Reason
from busbench.port.ipc import EventKind
from tests.tui.ports import START_NS, Hands, ScriptedPort

pytestmark = pytest.mark.usefixtures("wide")
Open = Callable[..., None]


class Named(ScriptedPort):
    """A port that is lost, or reports a warning, at a time."""

    def __init__(self, hands: Hands, name: str, settings: str, *, lost_s: float = 99, warns_s: float = 99) -> None:
        super().__init__(hands, f"virtual:?{settings}")
        self.source = name
        self._lost_s, self._warns_s = lost_s, warns_s

    def read(self, timeout_s: float) -> list[Chunk]:
        self._hands.t_ns += round(timeout_s * 1e9)
        now_s = (self._hands.t_ns - START_NS) / 1e9
        if now_s >= self._warns_s:
            self._warns_s = 99
            self.happens(EventKind.WARNING, "the line is inverted")
        if now_s >= self._lost_s:
            raise PortError(self.source, "the device is gone", hint="plug it in")
        return super().read(timeout_s)


@pytest.fixture
def hands(monkeypatch: pytest.MonkeyPatch) -> Hands:
    """The clock of the recording, which goes on while ports are read."""
    hands = Hands()

    def sleep(seconds: float) -> None:
        hands.t_ns += round(seconds * 1e9)

    clock = SimpleNamespace(monotonic=lambda: hands.t_ns / 1e9, sleep=sleep)
    for name in ("cli.record.time", "cli.progress.time", "bench.rack.time"):
        monkeypatch.setattr(f"busbench.{name}", clock)
    monkeypatch.setattr("busbench.bench.receiver.perf_counter_ns", hands)
    return hands


@pytest.fixture
def ports(monkeypatch: pytest.MonkeyPatch) -> Open:
    """Opens these ports by their names."""

    def open_these(*ports: Named) -> None:
        by_name = {port.source: port for port in ports}
        monkeypatch.setattr("busbench.bench.sources.open_source", lambda name, **_: by_name[name])

    return open_these


def test_each_of_several_ports_has_its_line(
    hands: Hands, ports: Open, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ports(
        Named(hands, "left", "period=10ms"),
        Named(hands, "right", "period=10ms", lost_s=2.1, warns_s=1),
        Named(hands, "my tail", "frames=off"),
    )
    path = tmp_path / "f.pcapng"
    assert run(["record", "left", "right", "my tail", "-o", str(path), "--seconds", "3"]) == 0
    said = capsys.readouterr()
    # Of the port that was lost, up to its last read; 24 bytes wait for what follows them.
    assert (said.out, said.err.splitlines()) == (
        "",
        [
            "busbench: right: the line is inverted",
            "busbench: right: the device is gone: plug it in",
            "busbench: left: 300 frames, 0 flagged lost, 0 damaged bytes, 7.5 kB, 0:00:03",
            "busbench: right: 200 frames, 0 flagged lost, 0 damaged bytes, 5.0 kB, 0:00:02;"
            " nothing came in the last 1.0 s",
            "busbench: my tail: 0 frames, 0 flagged lost, 0 damaged bytes, 0.0 kB, 0:00:03;"
            " not one byte came: try `busbench probe 'my tail'`",
            f"busbench: wrote {path} (3 ports)",
        ],
    )


def test_a_terminal_has_one_line_of_all_ports_below_what_is_reported(
    hands: Hands, ports: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(progress, "is_terminal", lambda: True)
    monkeypatch.setattr(progress, "SHOW_S", 0.1)
    ports(Named(hands, "left", "period=10ms&lost=0.1:0.1", warns_s=0.6), Named(hands, "right", "period=10ms", lost_s=1))
    path = tmp_path / "f.pcapng"
    assert run(["record", "left", "right", "-o", str(path), "--seconds", "1.3"]) == 0
    shown, _, ended = capsys.readouterr().err.replace("\r\n", "\n").partition("busbench: left: 1")
    assert shown.split("\r") == [
        "",
        "40 frames, 10 flagged lost, 0 damaged bytes, 1.0 kB, 0:00:00",
        "80 frames, 10 flagged lost, 0 damaged bytes, 2.0 kB, 0:00:00",
        "busbench: left: the line is inverted\n",
        "120 frames, 10 flagged lost, 0 damaged bytes, 3.0 kB, 0:00:00",
        "160 frames, 10 flagged lost, 0 damaged bytes, 4.0 kB, 0:00:00",
        "busbench: right: the device is gone: plug it in\n",
        "180 frames, 10 flagged lost, 0 damaged bytes, 4.5 kB, 0:00:01",
        "200 frames, 10 flagged lost, 0 damaged bytes, 5.0 kB, 0:00:01",
        "",
    ]
    assert ended.startswith("30 frames, 10 flagged lost, ")


def test_the_line_of_all_ports_adds_up_what_each_had() -> None:
    one, other = RecordResult(1, 2, 3, 4, 5, 6000, 7.0), RecordResult(10, 20, 30, 40, 50, 60_000, 5.0)
    assert str(_Together([one, other])) == (
        "11 frames, 22 flagged lost, 33 failsafe, 44 damaged, 55 damaged bytes, 66.0 kB, 0:00:07"
    )


def test_a_single_port_has_its_totals_with_the_name_of_the_file(
    hands: Hands, ports: Open, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "f.pcapng"
    ports(Named(hands, "left", "period=10ms", warns_s=0.5))
    assert run(["record", "left", "-o", str(path), "--seconds", "1"]) == 0
    assert capsys.readouterr().err.splitlines() == [
        "busbench: left: the line is inverted",
        f"busbench: wrote {path} (100 frames, 0 flagged lost, 0 damaged bytes, 2.5 kB, 0:00:01)",
    ]
    ports(Named(hands, "left", "period=10ms", lost_s=0.5))
    assert run(["record", "left", "-o", str(path), "--seconds", "1", "--force"]) == 2
    assert capsys.readouterr().err == "busbench: left: the device is gone: plug it in\n"


def test_a_port_that_is_lost_at_the_first_look_is_named(
    hands: Hands, ports: Open, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ports(Named(hands, "left", "period=10ms"), Named(hands, "right", "period=10ms", lost_s=0))
    assert run(["record", "left", "right", "-o", str(tmp_path / "f.pcapng"), "--seconds", "1"]) == 0
    assert capsys.readouterr().err.splitlines()[0] == "busbench: right: the device is gone: plug it in"


def test_bytes_that_still_wait_at_the_end_are_counted(
    hands: Hands, ports: Open, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "f.pcapng"
    ports(Named(hands, "left", "frames=off&chatter=500"))
    assert run(["record", "left", "-o", str(path), "--seconds", "1"]) == 0
    bytes_total = read_recording(path).rejects.of(Reason.DAMAGED).bytes_total
    assert bytes_total > 400
    assert f" {bytes_total} damaged bytes, {bytes_total / 1000:.1f} kB," in capsys.readouterr().err


@pytest.mark.parametrize(
    ("seconds", "code"), [((), 0), (("--seconds", "9"), 130)], ids=["no time given", "before its time"]
)
def test_a_recording_that_the_user_stops_says_so_by_its_code_where_a_time_was_given(
    hands: Hands, ports: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seconds: tuple[str, ...], code: int
) -> None:
    stop = threading.Event()
    monkeypatch.setattr("busbench.cli.record.stop_signals", lambda: nullcontext(stop))

    class Stopped(Named):
        def read(self, timeout_s: float) -> list[Chunk]:
            if self._hands.t_ns > START_NS + 500_000_000:
                stop.set()
            return super().read(timeout_s)

    ports(Stopped(hands, "left", "period=10ms"))
    assert run(["record", "left", "-o", str(tmp_path / "f.pcapng"), *seconds]) == code


@pytest.mark.parametrize(("seconds", "ends"), [(1.0, "it ends after 1 s, or at Ctrl-C."), (None, "Ctrl-C ends it.")])
def test_a_draft_of_a_port_says_what_to_do_and_how_it_ends(
    hands: Hands, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], seconds: float | None, ends: str
) -> None:
    port = Named(hands, "tty", "period=10ms", warns_s=0.5)
    monkeypatch.setattr("busbench.bench.sources.open_live", lambda *_, **__: nullcontext(port))
    monkeypatch.setattr("busbench.cli.rig_draft.time", SimpleNamespace(monotonic=lambda: hands.t_ns / 1e9))
    parts = list(islice(rig_draft._frames_of("tty", BUS_LINE, seconds), None if seconds else 20))
    assert capsys.readouterr().err.splitlines() == [
        SAFETY,
        "Move one stick or switch at a time to both ends and back, rest a second, take the next.",
        f"Watching tty; {ends}",
        "busbench: tty: the line is inverted",
    ]
    assert (len(parts), sum(map(len, parts))) == ((6, 100) if seconds else (20, 400))
