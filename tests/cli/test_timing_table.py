"""The table of `timing` for results that no shipped recording gives, and commands on bytes without a frame."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from busbench.cli import timing
from tests.cli.running import call


def table(capsys: pytest.CaptureFixture[str], *, is_exact: bool | None = None, **more: object) -> list[str]:
    jitter: dict[str, object] = {
        "period_rms_s": 1.2e-5, "period_median_s": 0.014, "period_p01_s": 0.01398, "period_p99_s": 0.01402,
        "period_min_s": 0.0139, "period_max_s": 0.0141, "period_peak_s": 4e-5, "period_pp_s": 8e-5,
        "cycle_rms_s": None, "cycle_peak_s": None, "tie_rms_s": 2e-5, "tie_pp_s": 9e-5, "kind": "at most",
        "period_high_s": 1.5e-5, "floor_s": 1e-6, "lag1": None, "mtie_s": (),
    }  # fmt: skip
    against = None if is_exact is None else SimpleNamespace(lateness=object() if is_exact else None)
    found: Any = SimpleNamespace(
        frames=3, missing=None, clock=SimpleNamespace(kind=SimpleNamespace(value="exact")), note="few frames",
        period_mean_s=0.014, against=against, jitter=SimpleNamespace(**(jitter | more)),
    )  # fmt: skip
    timing._print_table(found)
    return capsys.readouterr().out.splitlines()


def test_what_three_frames_do_not_show_is_a_dash_and_gives_no_unit(capsys: pytest.CaptureFixture[str]) -> None:
    lines = table(capsys)
    assert lines == [
        "3 frames; clock: exact",
        "few frames",
        "",
        f"{'period':<24}{'ms':>15}",
        f"{'mean':<24}{'14.00000':>15}",
        f"{'median':<24}{'14.000':>15}",
        "1st to 99th percentile  13.980 … 14.020",
        "min … max               13.900 … 14.100",
        "",
        "                        rms, µs  peak, µs  peak to peak, µs",
        "period jitter, as seen     12.0      40.0              80.0",
        "cycle-to-cycle jitter         -         -",
        "TIE                        20.0                        90.0",
        "",
        "period jitter of the receiver: at most 15.0 µs rms",
    ]


def test_cycles_count_where_there_are_some(capsys: pytest.CaptureFixture[str]) -> None:
    lines = table(capsys, cycle_rms_s=0.0, cycle_peak_s=0.002)
    assert lines[9].split() == ["rms,", "ms", "peak,", "ms", "peak", "to", "peak,", "ms"]
    assert lines[11].split() == ["cycle-to-cycle", "jitter", "0.000", "2.000"]


@pytest.mark.parametrize(
    ("is_exact", "head"),
    [(True, "period jitter "), (False, "period jitter, as seen"), (None, "period jitter, as seen")],
)
def test_jitter_is_as_seen_unless_an_analyser_saw_how_late_the_adapter_was(
    is_exact: bool | None, head: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert table(capsys, is_exact=is_exact)[10].startswith(head)


@pytest.mark.parametrize(("many", "shown"), [(1, [0]), (7, range(7)), (15, range(15)), (16, range(0, 16, 2)),
                                             (24, range(0, 24, 3))])  # fmt: skip
def test_of_many_windows_some_eight_are_shown(
    many: int, shown: list[int] | range, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = table(capsys, mtie_s=tuple((1.0 + at, 1e-6 * (1 + at)) for at in range(many)), lag1=-0.5)
    at = lines.index("within, s  TIE changes by at most (MTIE), µs")
    assert [line.split() for line in lines[at + 1 :]] == [[f"{1 + one:.3f}", f"{1 + one:.1f}"] for one in shown]
    assert "each period with the next (lag 1): correlation -0.500" in lines


def test_bytes_without_a_frame_have_no_channels_in_any_form(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "zero.csv"
    path.write_text("time_s,byte,error\n0.000000000,0x00,0\n", encoding="utf-8")
    assert call(capfd, "channels", path, "--format", "csv").out == "channel\n"
    assert '"channels": []' in call(capfd, "channels", path, "--format", "json").out
