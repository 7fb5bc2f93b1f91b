"""The public names, and that what is imported is what is listed."""

from __future__ import annotations

import ast
import doctest
import enum
import importlib
import inspect
import os
import re
import subprocess
import sys
import typing
from collections.abc import Callable
from pathlib import Path

import pytest

import busbench
from tests.cli.running import CAPTURES

# Functions that refuse what they are given; the others take whatever has the right type.
RAISE = {
    "loss_bounds", "open_capture", "open_port", "pack_frames", "read_frames", "read_program", "read_recording",
    "read_recordings", "read_rig", "read_survey", "sign_off", "survey", "unpack_channels",
}  # fmt: skip
# Made of nothing, or described with the class above them, or made in one place alone.
ASIDE = (
    busbench.Capture, busbench.DriveError, busbench.LockedProgram, busbench.PortBusy, busbench.PortDenied,
    busbench.PortLost, busbench.PortMissing,
)  # fmt: skip
# What results hold and tables of a file, which no one makes.
PARTS = (
    busbench.CaptureInfo, busbench.ChannelPlan, busbench.ChannelSummary, busbench.ControlMove, busbench.Device,
    busbench.Glitch, busbench.Hub, busbench.Jitter, busbench.LinkLoss, busbench.LossBounds, busbench.MarkedInterval,
    busbench.NodeLoad, busbench.Outage, busbench.OutageSummary, busbench.Plan, busbench.SourceOutages, busbench.Supply,
    busbench.SupplyFeed, busbench.VerifyLimits,
)  # fmt: skip
# Results, which no one makes.
RESULTS = (
    *PARTS,
    busbench.Answers, busbench.Bounded, busbench.Channels, busbench.Check, busbench.ClockAlignment,
    busbench.Coincidence, busbench.Lateness,
    busbench.DriveProgram, busbench.Finding, busbench.Overlap, busbench.Several, busbench.Skew, busbench.LivePort,
    busbench.LoadCase, busbench.LoadWarning, busbench.LockedProgram, busbench.Outages, busbench.PortEvent,
    busbench.Reception, busbench.Recording, busbench.Rig, busbench.SignOff, busbench.Timing, busbench.Transmission,
    busbench.Survey, busbench.Verification,
)  # fmt: skip
PUBLIC = [getattr(busbench, name) for name in busbench.__all__]
FUNCTIONS = [value for value in PUBLIC if inspect.isfunction(value)]
CLASSES = [value for value in PUBLIC if inspect.isclass(value)]


def parameters(value: Callable[..., object]) -> list[str]:
    return [name for name in inspect.signature(value).parameters if name != "self"]


def explained(value: object) -> set[str]:
    """Names that a docstring explains under Args or Attributes."""
    doc = inspect.getdoc(value) or ""
    section = re.search(r"^(?:Args|Attributes):\n((?:    .*\n?)+)", doc, re.MULTILINE)
    return (
        set(re.findall(r"\w+", " ".join(re.findall(r"^    (\w[\w, ]*):", section[1], re.MULTILINE))))
        if section
        else set()
    )


def test_the_names_are_there() -> None:
    for name in busbench.__all__:
        assert getattr(busbench, name) is getattr(busbench, name)


@pytest.mark.parametrize("value", FUNCTIONS, ids=lambda value: value.__name__)
def test_a_function_says_what_it_takes_gives_and_raises(value: Callable[..., object]) -> None:
    doc = inspect.getdoc(value) or ""
    assert set(parameters(value)) == explained(value)
    assert "\nReturns:\n" in doc
    assert ("\nRaises:\n" in doc) == (value.__name__ in RAISE)


@pytest.mark.parametrize("value", CLASSES, ids=lambda value: value.__name__)
def test_a_class_says_what_it_is_made_of(value: type) -> None:
    if issubclass(value, enum.Enum):
        assert set(value.__members__) == explained(value)
    elif value not in ASIDE:
        assert set(parameters(value)) <= explained(value)
    for name, member in vars(value).items():
        if not name.startswith("_") and (callable(member) or isinstance(member, property | staticmethod)):
            assert inspect.getdoc(member), name


def test_whoever_calls_a_public_name_can_make_what_it_takes() -> None:
    ours = re.compile(rf"\b(?:{'|'.join(own_types())})\b")
    makers: list[Callable[..., object]] = [*FUNCTIONS, *CLASSES, busbench.ByteLog.from_chunks]
    for value in makers:
        if value in RESULTS:
            continue
        for name, parameter in inspect.signature(value).parameters.items():
            assert set(ours.findall(str(parameter.annotation))) <= set(busbench.__all__), (value, name)


@pytest.mark.parametrize(
    "value",
    [busbench.Channels, busbench.Comparison, busbench.LoadCase, busbench.Outages, busbench.Several, busbench.Timing],
    ids=lambda value: value.__name__,
)
def test_what_a_result_holds_is_public(value: type) -> None:
    public = {name: getattr(busbench, name) for name in busbench.__all__}  # some are imported for checkers alone
    held = [typing.get_type_hints(value, localns=public)[name] for name in parameters(value)]
    while held:
        one = held.pop()
        held += typing.get_args(one)
        if inspect.isclass(one) and one.__module__.startswith("busbench."):
            assert one.__name__ in busbench.__all__


def own_types() -> set[str]:
    """All classes of the modules that the public names live in."""
    return {
        name
        for home in busbench._HOMES
        for name, value in vars(importlib.import_module(f"busbench.{home}")).items()
        if inspect.isclass(value) and value.__module__.startswith("busbench")
    }


def test_the_list_for_developers_is_whole() -> None:
    text = (Path(busbench.__file__).parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = re.search(r"^## From Python\n(.*?)^## ", text, re.MULTILINE | re.DOTALL)
    assert section
    rows = re.findall(r"^\| (`.*?`) \|", section[1], re.MULTILINE)
    assert sorted(re.findall(r"`(\w+)`", " ".join(rows))) == sorted(busbench.__all__)


def test_names_for_checkers_are_the_names_at_run_time() -> None:
    tree = ast.parse(Path(busbench.__file__).read_text())
    block = next(node for node in tree.body if isinstance(node, ast.If))
    imported = {
        (node.module or "", alias.name, alias.asname)  # under its own name, so that checkers take it for public
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert imported == {(f"busbench.{home}", name, name) for home, names in busbench._HOMES.items() for name in names}


def test_an_unknown_name_is_no_attribute() -> None:
    with pytest.raises(AttributeError, match="module 'busbench' has no attribute 'nothing'"):
        _ = busbench.nothing


def test_using_it_loads_neither_ports_nor_screens() -> None:
    code = (
        "import sys, busbench\n"
        "for name in busbench.__all__: getattr(busbench, name)\n"
        "print(*sorted({'serial', 'textual', 'construct', 'click'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip() == ""


def test_a_command_loads_only_what_it_needs() -> None:
    code = (
        "import os, sys\n"
        "from busbench.__main__ import main\n"
        "try: main()\n"
        "except SystemExit as left: print(left.code, os.environ['OPENBLAS_NUM_THREADS'])\n"
        "unused = {'construct', 'difflib', 'hashlib', 'serial', 'tempfile', 'textual', 'tomllib', 'zipfile'}\n"
        "print(*sorted((unused | {'busbench.analysis.timing', 'busbench.port.port'}) & set(sys.modules)))"
    )
    env = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    command = [sys.executable, "-c", code, "outages", str(CAPTURES / "heron-bench.pcapng")]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=env)
    assert done.stdout.splitlines()[-2:] == ["0 1", ""]


def modules_with_examples() -> list[str]:
    root = Path(busbench.__file__).parent
    return [
        ".".join(("busbench", *path.relative_to(root).with_suffix("").parts)).removesuffix(".__init__")
        for path in sorted(root.rglob("*.py"))
        if ">>> " in path.read_text(encoding="utf-8")
    ]


@pytest.mark.parametrize("module", modules_with_examples())
def test_examples_in_docstrings(module: str) -> None:
    done = doctest.testmod(importlib.import_module(module))
    assert done.attempted
    assert done.failed == 0


def test_the_package_itself_has_examples() -> None:
    assert "busbench" in modules_with_examples()
