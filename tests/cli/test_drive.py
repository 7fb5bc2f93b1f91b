"""`drive` as a person calls it, without a port."""

import itertools
import re
from functools import partial
from pathlib import Path

import numpy as np
import pytest

from busbench.bench.plan_limits import PlanFaultError
from busbench.cli.drive import command
from tests.cli.running import invoke, refusal_of
from tests.drive.helpers import counts_of

HERON = Path(__file__).parents[2] / "captures" / "heron.toml"
SWEEP = ("sweep", "--channel", "1", "--low", "-50", "--high", "50", "--period", "4", "--cycles", "3")


run, refusal = partial(invoke, command), partial(refusal_of, command)


def test_preview_draws_lists_and_sends_nothing(tmp_path: Path) -> None:
    result = run(*SWEEP, "--preview", "--ascii", "--motor", "3", "--to", tmp_path / "heron.raw")
    assert result.exit_code == 0
    assert "\n".join(result.stdout.splitlines()[11:]) == (
        "channel 1: from 0 s: sweep, 3 cycles of 4 s\n"
        "    goes from -50.0 to +50.0 % (582 to 1401 counts), at most 643 counts/s\n"
        "channel 3 (motor): locked at -100.0 % (173 counts)\n"
        "channels 2, 4-16: at rest, 0.0 % (992 counts)\n"
        "channels 17-18: at rest, off\n"
        "end byte: 0x00\n"
        "at the end: ramp to the rest values, then silence"
    )
    assert not list(tmp_path.iterdir())


def test_raw_holds_the_closed_form(tmp_path: Path) -> None:
    path = tmp_path / "heron.raw"
    result = run(*SWEEP, "--to", path)
    assert result.exit_code == 0
    assert result.stdout == ""
    assert result.stderr == f"busbench: wrote {path} (1,719 frames, 12.033 s)\n"
    counts = counts_of(path.read_bytes())
    t_s = np.arange(1715) * 0.007
    assert np.array_equal(counts[:1715, 0], np.rint(992 + 409.5 * np.sin(2 * np.pi * t_s / 4)))
    assert (counts[:, 1:] == 992).all()


def test_standard_output_is_raw_bytes(tmp_path: Path) -> None:
    run(*SWEEP, "--to", tmp_path / "heron.raw")
    assert run(*SWEEP, "--to", "-").stdout_bytes == (tmp_path / "heron.raw").read_bytes()


def test_csv_has_a_line_a_byte(tmp_path: Path) -> None:
    path = tmp_path / "heron.csv"
    run("hold", "--channel", "17", "--level", "on", "--duration", "1", "--to", path)
    lines = path.read_text().splitlines()
    assert lines[:3] == ["time_s,byte,error", "0.000000000,0x0F,0", "0.000120000,0xE0,0"]
    assert lines[24:27] == ["0.002760000,0x01,0", "0.002880000,0x00,0", "0.007000000,0x0F,0"]


def test_frames_of_a_gap_are_left_out_with_their_time(tmp_path: Path) -> None:
    path = tmp_path / "heron.csv"
    result = run("hold", "--channel", "1", "--level", "0", "--duration", "0.07", "--gap", "0.014:0.014", "--to", path)
    assert result.stderr == f"busbench: wrote {path} (11 frames, 2 left out, 0.091 s)\n"
    starts = [line.split(",")[0] for line in path.read_text().splitlines()[1::25]]
    assert starts[:4] == ["0.000000000", "0.007000000", "0.028000000", "0.035000000"]


def test_a_motor_channel_stays_in_the_file_too(tmp_path: Path) -> None:
    path = tmp_path / "heron.raw"
    run("sweep", "--channel", "3", "--channel", "4", "--period", "4", "--motor", "3=-90", "--to", path)
    counts = counts_of(path.read_bytes())
    assert set(counts[:, 2].tolist()) == {round(992 - 0.9 * 819)}
    assert np.ptp(counts[:, 3]) > 800


def test_rehearsal_shows_where_the_channels_stand() -> None:
    lines = run("steps", "--channel", "2", "--levels", "0,20", "--period", "2", "--to", "virtual:").stdout.splitlines()
    assert lines == [
        "     time            ch 2",
        "   0.00 s       0.0 %  992",
        "   0.50 s       0.0 %  992",
        "   0.99 s       0.0 %  992",
        "   1.49 s     +20.0 % 1156",
        "   1.99 s     +20.0 % 1156",
        lines[-1],
    ]
    assert re.fullmatch(r"rehearsed \d+ frames in 2\.\d\d s; nothing was sent", lines[-1])


def test_a_program_file_and_its_faults(tmp_path: Path) -> None:
    program, out = tmp_path / "heron.toml", tmp_path / "heron.raw"
    program.write_text(
        '[[part]]\nchannel = 1\nshape = "hold"\nlevel = 0\nduration = 0.07\n'
        '[[fault]]\nkind = "lost"\nstart = 0.014\nduration = 0.014\n'
    )
    assert run(program, "--to", out).exit_code == 0
    assert [out.read_bytes()[25 * n + 23] for n in range(5)] == [0, 0, 4, 4, 0]


@pytest.mark.parametrize(
    ("args", "line"),
    [
        (("--period", "-4"), "--period: -4 is out of range: give 0.02 to 86400 s"),
        (("--period", "nan"), "--period: nan is not a number: give 0.02 to 86400 s"),
        ((), "--period: missing: give 0.02 to 86400 s"),
        (("--period", "4", "--low", "60"),
         "--low: 60 is above high, which is 50 % unless given: low must not exceed high"),
        (("--period", "4", "--low", "9", "--high", "8"),
         "--low: 9 is above high, which is 8: low must not exceed high"),
        (("--period", "4", "--channel", "19"), "--channel: 19 is not a channel: give 1 to 18"),
        (("--period", "4", "--stairs", "3"), None),
        (("--period", "4", "--period-end", "3"), None),
        (("--period", "4", "--lost", "3"), '--lost: "3" is not a time and a length: give START:SECONDS, as in 2:0.5'),
        (("--period", "4", "--motor", "0"), "--motor: 0 is not a channel: give 1 to 18"),
        (("--period", "4", "--motor", "3=off"),
         '--motor: "off" is not a rest value: give percent, as in --motor 3=-100'),
        (("--period", "4", "--motor", "3", "--no-motor"), "--no-motor: contradicts --motor: give the one that is true"),
        (("--period", "4", "--end-byte", "0x05"), '--end-byte: "0x05" is not an end byte:'
         " give 0x00, 0x04, 0x14, 0x24, 0x34 or slots (the last four in turn)"),
        (("--period", "4"), "--to: missing: say where the frames go, or look at them first with --preview"),
    ],
)  # fmt: skip
def test_nonsense_gets_one_line(args: tuple[str, ...], line: str | None) -> None:
    said = refusal("sweep", "--channel", "1", *args)
    if line is None:
        assert said.startswith(f"{args[2]}: ")
        assert "not an option of a part with shape sweep" in said
    else:
        assert said == line


def test_other_refusals(tmp_path: Path) -> None:
    there = tmp_path / "heron.raw"
    there.write_bytes(b"precious")
    assert refusal(*SWEEP, "--to", there) == (
        f"{there}: file exists already: choose another name, or write over it with --force"
    )
    assert there.read_bytes() == b"precious"
    assert run(*SWEEP, "--to", there, "--force").exit_code == 0
    nowhere = tmp_path / "no" / "heron.raw"
    assert refusal(*SWEEP, "--to", nowhere) == (f"{nowhere}: folder not found: make it first")
    assert refusal(*SWEEP, "--to", "heron.txt") == (
        "--to: heron.txt is neither a port nor a file of a known kind:"
        " give a port, virtual:, - or a name that ends in .pcapng, .vcd, .csv, .raw, .bin"
    )
    assert refusal("heron.toml", "--period", "4") == (
        "--period: works with a shape, not with the program file heron.toml: write it into the file, or name one of"
        " sweep, hold, ramp, triangle, sine, square, steps, staircase, chirp, wander, replay"
    )
    assert refusal(tmp_path / "gone.toml").endswith("gone.toml: file not found: check the name and the folder")


def test_replay_plays_what_a_recording_holds(tmp_path: Path) -> None:
    first, again = tmp_path / "first.pcapng", tmp_path / "again.raw"
    # A jump in a recording is replayed as fast as the rate lets it.
    run("square", "--channel", "5", "--low", "0", "--high", "40", "--period", "1", "--rate", "1e5", "--to", first)
    result = run("replay", "--channel", "2", "--recording", first, "--from-channel", "5", "--rate", "1e5", "--end",
                 "silence", "--to", again)  # fmt: skip
    assert result.exit_code == 0, result.output
    counts = counts_of(again.read_bytes())[:, 1].tolist()
    high = round(992 + 0.4 * 819)
    turns = [(level, sum(1 for _ in group)) for level, group in itertools.groupby(counts)]
    assert turns[:3] == [(992, 1), (high, 73), (992, len(counts) - 74)]


def test_replay_of_nothing_gets_one_line(tmp_path: Path) -> None:
    assert refusal("replay", "--channel", "1", "--recording", tmp_path / "gone.raw").startswith(f"{tmp_path}/gone.raw")


def test_a_switched_motor_is_locked_as_stated() -> None:
    locks = ("--motor", "17=off", "--motor", "18=on")
    lines = run("sweep", "--channel", "1", "--period", "4", *locks, "--preview", "--ascii").stdout.splitlines()
    assert [line for line in lines if "motor" in line] == [
        "channel 17 (motor): locked at off",
        "channel 18 (motor): locked at on",
    ]


def test_a_rig_names_channels_and_locks_its_motor(tmp_path: Path) -> None:
    out = tmp_path / "heron.raw"
    assert run("sweep", "--channel", "1", "--channel", "8", "--period", "4", "--rig", HERON, "--to", out).exit_code == 0
    counts = counts_of(out.read_bytes())
    assert set(counts[:, 7].tolist()) == {173}
    assert np.ptp(counts[:, 0]) > 800
    drawn = run("sweep", "--channel", "1", "--period", "4", "--rig", HERON, "--preview", "--ascii").stdout.splitlines()
    assert "channel 1 (left aileron)" in drawn
    assert "channel 8 (sustainer): locked at -100.0 % (173 counts)" in drawn
    assert refusal("sweep", "--channel", "1", "--period", "4", "--rig", HERON, "--no-motor", "--preview") == (
        f'--no-motor: {HERON} has the motor "sustainer": give the one that is true'
    )


@pytest.mark.parametrize("to", ["locked.pcapng", "virtual:", f"virtual:{HERON}"])
def test_a_locked_channel_that_the_program_would_move_is_told(to: str, tmp_path: Path) -> None:
    to = to if ":" in to else str(tmp_path / to)
    sweep = ("sweep", "--channel", "8", "--channel", "1", "--period", "1", "--motor", "8", "--to", to)
    said = run(*sweep).stderr.splitlines()
    name = "sustainer" if "heron" in to else "motor"
    assert said[0] == f"busbench: channel 8 ({name}): locked at -100.0 % (173 counts): it does not move"
    assert not any("channel 1" in line for line in said)


def test_the_rig_says_period_and_scale_where_nothing_else_does(tmp_path: Path) -> None:
    sweep = ("sweep", "--channel", "1", "--period", "4", "--preview")
    assert ", one every 7 ms" in run(*sweep).stdout.splitlines()[0]
    assert ", one every 15 ms" in run(*sweep, "--rig", HERON).stdout.splitlines()[0]
    assert ", one every 20 ms" in run(*sweep, "--rig", HERON, "--frame-period", "0.02").stdout.splitlines()[0]
    program, rig = tmp_path / "sweep.toml", tmp_path / "rig.toml"
    rig.write_text('[rig]\nname = "x"\nperiod_ms = 20\n[scale]\ncentre_counts = 1024\ncentre_us = 1520\n'
                   '[supply]\nvoltage_v = 7\n[[device]]\nname = "a"\nchannel = 1\n', encoding="utf-8")  # fmt: skip
    part = '[[part]]\nchannel = 1\nshape = "sine"\nperiod = 4\n'
    program.write_text(part, encoding="utf-8")
    lines = run(str(program), "--preview", "--rig", str(rig)).stdout.splitlines()
    assert ", one every 20 ms" in lines[0]
    assert lines[1] == "scale: 1520 µs at 1024 counts, 0.625 µs a count (an assumption)"
    program.write_text("frame_period = 0.01\n[scale]\ncentre_us = 1500\n" + part, encoding="utf-8")
    lines = run(str(program), "--preview", "--rig", str(rig)).stdout.splitlines()
    assert ", one every 10 ms" in lines[0]
    assert lines[1].startswith("scale: 1500 µs")


def test_a_rehearsal_tells_why_a_device_does_not_stand_at_the_level_sent() -> None:
    result = run(
        "steps", "--channel", "1", "--channel", "6", "--levels", "0", "--period", "1", "--to", f"virtual:{HERON}"
    )
    told = [line for line in result.stderr.splitlines() if "neutral" in line]
    assert told == ["rudder: its neutral lies at level +3.9 %, so at level 0 it is at -3.9 %"]
    assert " +0.0 %" in result.stdout.splitlines()[1]  # at rest, where its plan has it
    assert " -3.9 %" in result.stdout.splitlines()[2]


def test_names_too_long_for_a_line_are_cut_below_the_unit(tmp_path: Path) -> None:
    names = ("aileronette", "flapperonie", "tipelevator", "winglettail", "spoilerette", "ruddervator")
    rig = tmp_path / "rig.toml"
    devices = "".join(f'[[device]]\nname = "{name}"\nchannel = {at}\n' for at, name in enumerate(names, 1))
    rig.write_text(f'[rig]\nname = "x"\nperiod_ms = 14\n[supply]\nvoltage_v = 7\n{devices}', encoding="utf-8")
    channels = [word for at in range(1, 7) for word in ("--channel", str(at))]
    lines = run("hold", *channels, "--level", "0", "--duration", "1", "--to", f"virtual:{rig}").stdout.splitlines()
    assert lines[0].split() == ["in", "%"]
    assert lines[1].split()[:3] == ["time", "ailerone…", "flappero…"]
    assert lines[2].split()[:4] == ["0.00", "s", "+0.0", "%"]


def test_rehearsal_on_a_virtual_aircraft() -> None:
    lines = run("sweep", "--channel", "1", "--period", "4", "--to", f"virtual:{HERON}").stdout.splitlines()
    assert lines[0] == "     time  left aileron   supply A"
    assert float(lines[1].split()[-1]) == pytest.approx(0.89)  # holding: flaps 2 × 0.15, gear 0.4; the sensor 0.02
    stand = [float(line.split()[2]) for line in lines[1:-1]]
    assert stand[0] == 0.0
    assert (round(max(stand)), round(min(stand))) == (50, -49)
    assert lines[-1] == "rehearsed 271 frames in 4.06 s; nothing was sent"
    assert refusal("sweep", "--channel", "15", "--period", "4", "--to", f"virtual:{HERON}") == (
        "--to: nothing on this aircraft obeys the program's channels: see `busbench rig check`"
    )


def test_a_fault_past_the_shapes_is_told_with_the_time_it_makes(tmp_path: Path) -> None:
    words = "a fault goes on past the end of the shapes at 12 s: the program lasts 30 s"
    result = run(*SWEEP, "--lost", "29:1", "--preview", "--ascii")
    assert f"fault: frame-lost flag from 29 s for 1 s\n    {words}\n" in result.stdout
    for to in (tmp_path / "f.raw", tmp_path / "f.vcd", "virtual:", f"virtual:{HERON}"):
        more = ("--pulses", "1") if str(to).endswith("vcd") else ()
        assert run(*SWEEP, "--lost", "29:1", "--to", to, *more).stderr.splitlines()[0] == f"busbench: {words}"
    assert "past the end" not in run(*SWEEP, "--lost", "11:1", "--to", "virtual:").stderr
    assert "past the end" not in run(*SWEEP, "--lost", "11:1", "--preview", "--ascii").stdout


def test_noise_strikes_its_share_of_bytes_and_lasts_no_longer_than_the_shapes(tmp_path: Path) -> None:
    files = tmp_path / "clean.raw", tmp_path / "struck.raw"
    for noise, path in zip(((), ("--flips", "0.01")), files, strict=True):
        assert run(*SWEEP, *noise, "--to", path).exit_code == 0
    clean, struck = (np.fromfile(path, np.uint8) for path in files)
    assert clean.size == struck.size == 1719 * 25
    assert 0.008 < np.mean(clean != struck) < 0.012


@pytest.mark.parametrize("to", ["/dev/null", "virtual:", "sweep.pcapng", "preview"])
def test_a_plan_that_contradicts_itself_moves_nothing(to: str, tmp_path: Path) -> None:
    rig = tmp_path / "turned.toml"
    head = '[rig]\nname = "x"\nperiod_ms = 14\n[supply]\nvoltage_v = 7\n[[device]]\nname = "m"\nkind = "off-bus"\n'
    rig.write_text(head + "channel = 8\nmotor = true\nreversed = true\nfailsafe = -100\n", encoding="utf-8")
    where = ("--preview",) if to == "preview" else ("--to", tmp_path / to if "." in to else to)
    result = run("sweep", "--channel", "1", "--period", "4", "--rig", rig, "--arm", *where)
    assert isinstance(result.exception, PlanFaultError)
    assert result.exception.details[0] == (
        "fault: m: it is reversed, and the plan does not state what goes on the wire while it is off"
    )
    assert not (tmp_path / "sweep.pcapng").exists()


def test_a_virtual_plan_has_a_word_beside_the_program(tmp_path: Path) -> None:
    program = tmp_path / "full.toml"
    program.write_text('[[channel]]\nnumber = 8\nlocked = true\nrest = 100\n'
                       '[[part]]\nchannel = 1\nshape = "sine"\nperiod = 4\n', encoding="utf-8")  # fmt: skip
    for where in (("--to", f"virtual:{HERON}"), ("--rig", HERON, "--to", tmp_path / "x.raw")):
        said = refusal(str(program), *where)
        assert said.startswith("channel 8 (sustainer): it is locked, but ")
        assert 'the program "full" at +100.0 % (1811 counts)' in said
    assert "channel 8: locked at +100.0 % (1811 counts)" in run(str(program), "--preview").stdout  # its word alone
