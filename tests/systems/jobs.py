"""Runs in a process of its own: imports every module, then runs command lines one after another.

Standard input has the order as JSON, standard output the results: see tests/systems/running.py.
"""

from __future__ import annotations

import importlib
import io
import json
import pkgutil
import sys
import traceback
from typing import Any


def go_offline() -> None:
    """Refuse whatever would make, bind or connect a socket or ask for a name, however it is called."""

    def refuse(event: str, _: tuple[object, ...]) -> None:
        if event.startswith(("socket.", "urllib.", "http.", "ftplib.", "smtplib.")):
            raise PermissionError(1, f"{event} in a process without a network")

    sys.addaudithook(refuse)


def import_all() -> dict[str, str]:
    """Why a module of busbench cannot be imported, by its name."""
    import busbench

    faults = {}
    for module in pkgutil.walk_packages(busbench.__path__, "busbench."):
        try:
            importlib.import_module(module.name)
        except BaseException:
            faults[module.name] = traceback.format_exc()
    return faults


def run_line(words: list[str], *, encoding: str, newline: str) -> dict[str, Any]:
    """Exit code and all that one command line prints; a traceback among it where it raised."""
    from busbench.cli.main import run

    before = sys.stdin, sys.stdout, sys.stderr
    out, err = io.BytesIO(), io.BytesIO()
    form: dict[str, Any] = {"encoding": encoding, "newline": newline, "write_through": True}
    text, notes = io.TextIOWrapper(out, **form), io.TextIOWrapper(err, errors="backslashreplace", **form)
    sys.stdin, sys.stdout, sys.stderr = io.TextIOWrapper(io.BytesIO(), encoding=encoding), text, notes
    code = None
    try:
        code = run(words)
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdin, sys.stdout, sys.stderr = before
        text.detach(), notes.detach()
    printed = [stream.getvalue().decode(encoding, "replace") for stream in (out, err)]
    return {"code": code, "out": printed[0], "err": printed[1]}


def main() -> None:
    order = json.load(sys.stdin)
    if order["offline"]:
        go_offline()
    results: dict[str, Any] = {"imports": import_all() if order["imports"] else {}, "platform": "", "lines": []}
    for words in order["lines"]:
        results["lines"].append(run_line(words, encoding=order["encoding"], newline=order["newline"]))
    results["platform"] = sys.platform
    results["file"] = sys.modules["busbench"].__file__ if "busbench" in sys.modules else ""
    json.dump(results, sys.stdout)


if __name__ == "__main__":
    main()
