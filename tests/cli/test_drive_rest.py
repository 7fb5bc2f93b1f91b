"""What a rig says of rest holds while another channel is swept or walked."""

from __future__ import annotations

import pytest

from tests.cli.running import CAPTURES, call


def test_a_gear_and_flaps_stay_where_they_rest(capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(
        capfd, "drive", "sweep", "--channel", "1", "--low", "-50", "--high", "50", "--period", "4", "--cycles", "1",
        "--rig", CAPTURES / "heron.toml", "--preview",
    )  # fmt: skip
    assert ran.code == 0, ran.err
    assert "channels 3-4, 7: at rest, -100.0 % (173 counts)" in ran.out
    assert "channel 8 (sustainer): locked at -100.0 % (173 counts)" in ran.out
