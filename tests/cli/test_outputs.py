"""Every file that a command writes: whole or not there, and never in the place of what it was made from."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import click
import pytest

from busbench.cli.main import cli
from busbench.cli.outputs import OutputPath
from tests.cli.running import CAPTURES, SMALL, call

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="links of POSIX")
REPLAY = """
[limits]
rate = 400
[[part]]
shape = "replay"
channel = 1
recording = "slots.csv"
"""
FILES = {
    "slots.csv": "heron-slots.csv",
    "round.pcapng": "heron-round.pcapng",
    "sweeps.toml": "heron-sweeps.toml",
    "plan.toml": "heron.toml",
    "power.csv": "heron-power.csv",
}


@dataclass(frozen=True)
class Output:
    """A file that a command writes.

    Args:
        command: as it is typed, an asterisk for the file.
        option: the option or argument that names it, as `command --option`.
        suffix: of the file.
        inputs: files of FILES that the command reads.
        code: exit code where all goes well.
        is_growing: True if the file grows under its name.
        forces: True if --force replaces a file.
    """

    command: str
    option: str
    suffix: str
    inputs: tuple[str, ...] = ()
    code: int = 0
    is_growing: bool = False
    forces: bool = True

    def __str__(self) -> str:
        return self.command.replace("*", f"x{self.suffix}")

    def words(self, path: Path | str) -> list[str]:
        return [word.replace("*", str(path)) for word in self.command.split()]


_VERIFY = "verify round.pcapng --rig plan.toml"
_READ = ("round.pcapng", "plan.toml")
_DRIVE = "drive sweeps.toml --rig plan.toml --to *"
_SWEEP = ("sweeps.toml", "plan.toml")
OUTPUTS = (
    *(Output("convert slots.csv -o *", "convert --output", f".{one}", ("slots.csv",))
      for one in ("csv", "vcd", "raw", "bin", "pcapng", "parquet")),
    *(Output(_DRIVE, "drive --to", f".{one}", _SWEEP) for one in ("csv", "vcd", "raw", "bin", "pcapng")),
    *(Output(f"{_DRIVE} --pulses 1", "drive --to", f".{one}", _SWEEP) for one in ("csv", "vcd")),
    Output("drive replay.toml --no-motor --to *", "drive --to", ".csv", ("slots.csv", "replay.toml")),
    Output("report slots.csv -o *", "report --output", ".html", ("slots.csv",)),
    Output("survey slots.csv -o *", "survey --output", ".parquet", ("slots.csv",), is_growing=True),
    Output("survey slots.csv --page *", "survey --page", ".html", ("slots.csv",)),
    Output("rig new *", "rig new file", ".toml", forces=True),
    Output("rig draft round.pcapng -o *", "rig draft --output", ".toml", ("round.pcapng",)),
    Output("rig power plan.toml --program sweeps.toml --svg *", "rig power --svg", ".svg", _SWEEP),
    Output("rig power plan.toml --measured power.csv --svg *", "rig power --svg", ".svg", ("plan.toml", "power.csv")),
    Output("rig sheet plan.toml -o *", "rig sheet --output", ".html", ("plan.toml",)),
    Output(f"{_VERIFY} --report *", "verify --report", ".html", _READ),
    Output(f"{_VERIFY} --junit *", "verify --junit", ".xml", _READ),
    Output("verify virtual:plan.toml --keep *", "verify --keep", ".pcapng", ("plan.toml",), is_growing=True),
    Output("record virtual:plan.toml -o *", "record --output", ".pcapng", ("plan.toml",), is_growing=True),
    Output("walk virtual: --rig small.toml --answers *", "walk --answers", ".json", ("small.toml",), forces=False),
    Output("simulate --pty --rig plan.toml --link *", "simulate --link", ".port", ("plan.toml",), is_growing=True,
           forces=False),
)  # fmt: skip
WHOLE = [output for output in OUTPUTS if not output.is_growing]
INPUT_OPTIONS = {
    "drive --recording",
    "drive program",
    "report --walk",
    "rig power --measured",
    "rig power --program",
    "survey paths",
    "verify --walk",
}


def parameters(group: click.Group, path: str = "") -> Iterator[tuple[str, click.Parameter]]:
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        if isinstance(command, click.Group):
            yield from parameters(command, f"{path}{name} ")
        elif command is not None:
            for param in command.params:
                yield f"{path}{name} {param.opts[-1] if isinstance(param, click.Option) else param.name}", param


def test_every_output_stands_in_the_table() -> None:
    assert {path for path, param in parameters(cli) if isinstance(param.type, OutputPath)} == {
        output.option for output in OUTPUTS
    }


def test_what_names_a_file_is_an_input_or_an_output() -> None:
    unknown = [
        path
        for path, param in parameters(cli)
        if any(word in str(param.metavar) for word in ("FILE", "PATH", ".toml", ".json"))
        and not isinstance(param.type, OutputPath)
        and not path.endswith((" --rig", " rig"))
    ]
    assert sorted(unknown) == sorted(INPUT_OPTIONS)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    for name, source in FILES.items():
        shutil.copy(CAPTURES / source, tmp_path / name)
    (tmp_path / "small.toml").write_text(SMALL, encoding="utf-8")
    (tmp_path / "replay.toml").write_text(REPLAY, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    read, write = os.pipe()
    os.write(write, b"\ny\ny\ny\ny\n" * 2)  # the answers of a walk
    os.close(write)
    with open(read, encoding="utf-8") as answers:  # noqa: PTH123
        monkeypatch.setattr(sys, "stdin", answers)
        yield tmp_path


def state(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def disk_full(patch: pytest.MonkeyPatch) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    patch.setattr("busbench.output_file.os.write", full)


def ctrl_c(patch: pytest.MonkeyPatch) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    patch.setattr("busbench.output_file.os.fsync", interrupt)


def all_well(patch: pytest.MonkeyPatch) -> None:
    del patch


@pytest.mark.parametrize("output", WHOLE, ids=str)
@pytest.mark.parametrize(("happens", "code"), [(all_well, 0), (disk_full, 2), (ctrl_c, 130)])
def test_it_is_whole_or_not_there(
    place: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str], output: Output,
    happens: Callable[[pytest.MonkeyPatch], None], code: int,
) -> None:  # fmt: skip
    before, path = state(place), place / f"out{output.suffix}"
    if output.forces and code:
        path.write_bytes(b"what was here")
        before[path.name] = b"what was here"
    with monkeypatch.context() as patch:
        happens(patch)
        ran = call(capfd, *output.words(path), *(["--force"] if output.forces and code else []))
    assert ran.code == code, ran.err
    after = state(place)
    if not code:
        assert len(after.pop(path.name)) > 100
    assert after == before
    assert "Traceback" not in ran.err


@pytest.mark.parametrize("way", ["itself", "symbolic link", "hard link"])
@pytest.mark.parametrize(
    ("output", "source"), [(output, source) for output in OUTPUTS for source in output.inputs], ids=str
)
def test_no_input_is_replaced(
    place: Path, capfd: pytest.CaptureFixture[str], output: Output, source: str, way: str
) -> None:
    path = place / f"out{output.suffix}"
    if way == "symbolic link":
        path.symlink_to(source)
    else:
        path.hardlink_to(place / source)
    before = state(place)
    words = output.words(path)
    if way == "itself" and source != "slots.csv":
        words = [word.replace(source, str(path)) for word in words]
    ran = call(capfd, *words, *(["--force"] if output.forces else []))
    assert (ran.code, state(place)) == (2, before)
    assert ran.err == f"busbench: {path}: is also an input file: choose another name\n"


@pytest.mark.parametrize("output", OUTPUTS, ids=str)
def test_without_force_nothing_is_replaced(place: Path, capfd: pytest.CaptureFixture[str], output: Output) -> None:
    path = place / f"out{output.suffix}"
    path.write_bytes(b"what was here")
    before = state(place)
    ran = call(capfd, *output.words(path))
    assert (ran.code, state(place)) == (2, before)
    assert ran.err.splitlines()[-1].startswith(f"busbench: {path}: file exists already: ")


@pytest.mark.parametrize(
    ("name", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("+flap", "'+flap"),
        ("-cmd|' /C calc'!A0", "'-cmd|' /C calc'!A0"),
        ("@SUM(1)", "'@SUM(1)"),
        ("＝1+1", "'＝1+1"),
        ("\t=1+1", "'\t=1+1"),
        ("-", "-"),
        ("-12.5", "-12.5"),
        ("+1e-3", "+1e-3"),
        ("left = right", "left = right"),
    ],
)
def test_no_text_in_csv_is_a_formula(capfd: pytest.CaptureFixture[str], name: str, cell: str) -> None:
    from busbench.cli.output import write_csv

    write_csv(("name", name), [(name, -12.5), (True, None)])
    assert capfd.readouterr().out == f"name,{cell}\n{cell},-12.5\n1,\n"


def test_a_name_of_a_plan_is_no_formula(place: Path, capfd: pytest.CaptureFixture[str]) -> None:
    plan = SMALL.replace('"rudder"', '"=1+1"')
    (place / "small.toml").write_text(plan, encoding="utf-8")
    ran = call(capfd, "rig", "power", "small.toml", "--format", "csv")
    assert ran.code == 0
    assert ",'=1+1," in ran.out
    assert ",=1+1" not in ran.out


def test_two_outputs_are_two_files(place: Path, capfd: pytest.CaptureFixture[str]) -> None:
    ran = call(capfd, *_VERIFY.split(), "--report", "out", "--junit", "./out")
    assert (ran.code, ran.err) == (2, "busbench: out: is named twice: give each file a name of its own\n")


def test_what_comes_through_standard_input_is_not_replaced(place: Path) -> None:
    before = state(place)
    command = [sys.executable, "-m", "busbench", "convert", "-", "-o", "slots.csv", "--force"]
    with (place / "slots.csv").open("rb") as source:
        done = subprocess.run(command, stdin=source, capture_output=True, text=True, check=False)
    assert (done.returncode, state(place)) == (2, before)
    assert done.stderr == "busbench: slots.csv: is also an input file: choose another name\n"


SIGNALLED = """
import os, sys
number = int(sys.argv.pop())
os.fsync = lambda fd: os.kill(os.getpid(), number)
from busbench.cli.main import main
main()
"""


@pytest.mark.parametrize(
    ("number", "code", "left"), [(signal.SIGTERM, 130, 0), (signal.SIGHUP, 130, 0), (signal.SIGKILL, -9, 1)]
)
def test_a_command_that_is_ended_leaves_what_stood_there(
    place: Path, number: signal.Signals, code: int, left: int
) -> None:
    path = place / "out.html"
    path.write_bytes(b"what was here")
    before = state(place)
    command = [sys.executable, "-c", SIGNALLED, "rig", "sheet", "plan.toml", "-o", str(path), "--force"]
    done = subprocess.run([*command, str(int(number))], capture_output=True, text=True, check=False)
    assert done.returncode == code, done.stderr
    after = state(place)
    parts = [name for name in after if name.startswith(".busbench-") and name.endswith(".part")]
    assert len(parts) == left
    assert {name: data for name, data in after.items() if name not in parts} == before


def deleted(path: Path) -> None:
    path.unlink()


def moved(path: Path) -> None:
    path.rename("elsewhere.pcapng")


def cut(path: Path) -> None:
    os.truncate(path, 100)


@pytest.mark.parametrize(
    ("act", "line"),
    [
        (deleted, "f.pcapng: was deleted by another program while it was recorded: *, and leave the file alone *"),
        (cut, "f.pcapng, byte 100: was cut short by another program while it was recorded: *"),
        (moved, "f.pcapng: was moved by another program while it was recorded; what was moved is whole: *"),
    ],
)
def test_a_recording_that_others_touched_ends_with_a_line(
    place: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str],
    act: Callable[[Path], None], line: str,
) -> None:  # fmt: skip
    import fnmatch

    from busbench.cli.progress import ProgressLine

    done: list[Path] = []

    def show(self: ProgressLine, what: object) -> None:
        if not done and (place / "f.pcapng").stat().st_size > 300:
            done.append(place / "f.pcapng")
            act(done[0])

    monkeypatch.setattr(ProgressLine, "show", show)
    ran = call(capfd, "record", "virtual:?period=7ms", "-o", "f.pcapng", "--seconds", "1.5")
    assert done
    assert ran.code == 2
    assert fnmatch.fnmatch(ran.err, f"busbench: {line}\n"), ran.err
