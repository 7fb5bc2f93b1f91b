"""There is one way from a program to bytes, and it leads through the limits."""

import ast
from pathlib import Path

import busbench

ROOT = Path(busbench.__file__).parent
MAKERS = {"pack_frames", "encode_frame", "FRAME", "LimitedCounts"}


def test_only_the_frame_generator_packs_and_only_limits_py_makes_what_it_packs() -> None:
    files = [*ROOT.glob("drive/*.py"), *ROOT.glob("cli/drive*.py"), ROOT / "cli" / "keys.py"]
    used = {
        (path.name, node.id)
        for path in files
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in MAKERS
        for node in [node.func]
    }
    assert used == {("frame_generator.py", "pack_frames"), ("limits.py", "LimitedCounts")}
