"""A shape, a fault, a key of the rig file, a format, a screen or a check is declared once; all else reads that."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import msgspec
import pytest

from busbench.rig.model import Plan, Rig


class PaintedPlan(Plan, frozen=True, kw_only=True):
    """The table [rig].

    Args:
        colour: of the aircraft.
    """

    colour: str = "white"


class PaintedRig(Rig, frozen=True, kw_only=True):
    """A whole rig file.

    Args:
        plan: its table [rig].
    """

    plan: PaintedPlan = msgspec.field(name="rig")


ADDED = """
import sys
from busbench.drive.shape_words import shape_word
from busbench.drive.shapes import Hold

@shape_word("plateau", "stays high", keys=("low", "high", "period", "cycles"), fits_switch=False)
def _plateau(part, channel):
    low, high = part.ends(channel)
    return Hold(high, part.cycle().duration_s)

from busbench.sim.aircraft_faults import FAULTS, FaultWords
FAULTS["sticky"] = FaultWords("the device sticks", "walk: smooth, no", is_sent=False)
"""


def told(code: str, tmp_path: Path) -> str:
    """What a script prints that has added something before."""
    done = subprocess.run(
        [sys.executable, "-c", ADDED + code], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_a_shape_and_a_fault_that_were_added_are_known_everywhere(tmp_path: Path) -> None:
    (tmp_path / "new.toml").write_text(
        '[[part]]\nchannel = 1\nshape = "plateau"\nlow = -10\nhigh = 20\nperiod = 1\n', encoding="utf-8"
    )
    (tmp_path / "wrong.toml").write_text('[[part]]\nchannel = 17\nshape = "plateau"\n', encoding="utf-8")
    code = """
from busbench.errors import BusbenchError
from busbench.cli.drive import load_program
from busbench.reference.topics import topic_text
from busbench.sim.aircraft_faults import parse_fault
from busbench.tui.driving import WAVES
from click.testing import CliRunner
from busbench.cli.drive import command as drive
from busbench.cli.walk import command

print(load_program("new.toml", {}).duration_s)
print(load_program("plateau", {"channel": [1], "period": 2.0}).duration_s)
for act in (lambda: load_program("wrong.toml", {}), lambda: load_program("plateu", {}), lambda: parse_fault("stiky")):
    try:
        act()
    except BusbenchError as error:
        print(error)
print("plateau" in WAVES, "replay or plateau; channels" in " ".join(topic_text("drive-program").split()))
print("plateau      stays high" in CliRunner().invoke(drive, ["--help"]).output)
print("brown-out, sticky." in CliRunner().invoke(command, ["--help"]).output)
print("sticky:DEVICE" in topic_text("virtual"), parse_fault("sticky:rudder").shows_in_motion)
"""
    assert told(code, tmp_path).splitlines() == [
        "1.0",
        "2.0",
        'wrong.toml, part[1].shape: "plateau" does not fit channel 17, which is on or off (table at line 1):'
        " give hold, square, steps or replay",
        "plateu: is neither a shape nor a file: did you mean plateau?",
        '--fault: "stiky" is not known: did you mean sticky?',
        "True True",
        "True",
        "True",
        "True True",
    ]


def test_a_format_that_was_added_is_read_written_and_offered(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from busbench.capture import formats
    from busbench.cli.convert import command
    from busbench.cli.recorded import is_recording
    from busbench.tui.screens.choose import files
    from tests.cli.running import CAPTURES, invoke

    (tmp_path / "odd_format.py").write_text(
        "from busbench.capture.raw import open_file as open_raw\n"
        "from busbench.capture.write import RawFile as OddFile\n"
        'FORMAT = "odd bytes"\n\ndef sniff(head):\n    return head.startswith(b"\\x0f")\n\n'
        "def open_file(source, options):\n    capture = open_raw(source, options)\n"
        "    capture.info.format = FORMAT\n    return capture\n",
        encoding="utf-8",
    )
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.chdir(tmp_path)
    odd = formats.FileFormat("odd_format", (".odd",), (".odd",), "odd_format:OddFile")
    monkeypatch.setattr(formats, "FORMATS", [odd, *formats.FORMATS])
    monkeypatch.setattr("busbench.capture.open.FORMATS", formats.FORMATS)
    invoke(command, str(CAPTURES / "heron-flight.pcapng"), "-o", "flight.odd", "--to", "1")
    assert files(tmp_path) == ["flight.odd"]
    assert is_recording("flight.odd")
    from busbench.capture.open import open_capture

    with open_capture("flight.odd") as capture:
        assert capture.info.format == "odd bytes"
    refused = invoke(command, str(CAPTURES / "heron-flight.pcapng"), "-o", "flight.none")
    assert "end the name in .odd, .pcapng" in str(refused.exception)


def test_a_key_of_the_rig_file_that_was_added_is_read_explained_and_suggested() -> None:
    from busbench.errors import RigError
    from busbench.reference.tables import keys_of
    from busbench.schema import TableReader

    raw = {"rig": {"name": "Heron", "period_ms": 14, "colour": "red"}, "supply": {"voltage_v": 6}, "device": []}

    def read(text: dict[str, object]) -> PaintedRig:
        return TableReader(
            text, PaintedRig, raises=lambda key, what, hint: RigError("rig", key, what, hint=hint)
        ).read()

    assert read(raw).plan.colour == "red"
    assert '  colour                of the aircraft ["white"]' in keys_of(PaintedRig)
    with pytest.raises(RigError, match=r"rig\.color: not a key of \[rig\]: did you mean colour\?"):
        read({**raw, "rig": {"name": "Heron", "period_ms": 14, "color": "red"}})


def test_a_check_that_was_added_is_in_the_verdict_the_page_and_the_list(monkeypatch: pytest.MonkeyPatch) -> None:
    import busbench
    from busbench.verify import verify
    from busbench.verify.result import CheckFactory
    from tests.cli.running import CAPTURES

    recording, rig = (
        busbench.read_recording(CAPTURES / "heron-round.pcapng"),
        busbench.read_rig(CAPTURES / "heron.toml"),
    )
    before = busbench.sign_off(recording, rig)
    monkeypatch.setattr(
        verify,
        "CHECKS",
        [*verify.CHECKS, lambda *_: [CheckFactory("failsafe", "failsafe").not_tested("colour", "nobody looked")]],
    )
    after = busbench.sign_off(recording, rig)
    assert (before.verdict, after.verdict) == (busbench.Verdict.PASS, busbench.Verdict.NOT_TESTED)
    assert after.found.count(busbench.Verdict.PASS) == before.found.count(busbench.Verdict.PASS)
    assert [one.name for one in after.found.checks if one not in before.found.checks] == ["colour"]
    assert "nobody looked" in after.page(source="x", recording_path=None, rig_path="")


def test_a_screen_that_was_added_has_its_tab_its_key_and_its_command(tmp_path: Path) -> None:
    code = """
import asyncio, types
from busbench.tui import screens
from busbench.tui.screens import View
screens.VIEWS += (View("Extra", "9", "something more", "extra", "ExtraView"),)
from busbench.bench.sources import open_live
from busbench.tui.live import LiveSession
from busbench.tui.screens.base import BenchView
from busbench.tui.widgets.line_widget import LineWidget

class Lines(LineWidget):
    def lines(self, width, height):
        return [[("what was added", "ink")]]

class ExtraView(BenchView):
    def body(self):
        return Lines(self.ui)

module = types.ModuleType("busbench.tui.screens.extra")
module.ExtraView = ExtraView
sys.modules["busbench.tui.screens.extra"] = module
from tests.tui.screens import shown, text_of

async def main():
    session = LiveSession(open_live("virtual:"))
    async with shown(session, (160, 48), keys="9") as (app, pilot):
        text = text_of(app)
        print("what was added" in text, "Extra" in text)
        app.action_menu()
        await pilot.pause()
        print([" ".join(line.split()) for line in text_of(app).splitlines() if "Extra" in line])

asyncio.run(main())
"""
    root = str(Path(__file__).resolve().parent.parent)
    said = told(f"sys.path.insert(0, {root!r})\n" + code, tmp_path)
    name, menu = said.splitlines()
    assert name == "True True"
    assert "9 Extra something more" in menu
