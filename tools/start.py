"""Set busbench up and show what it does: `python3 tools/start.py` needs Python 3.11 or newer, nothing else."""

import sys

if sys.version_info < (3, 11):  # noqa: UP036  this file must read on an older Python to say so
    sys.exit("start.py: busbench needs Python 3.11 or newer, this is %d.%d" % sys.version_info[:2])  # noqa: UP031

import argparse
import os
import subprocess

from _setup import ROOT, SetupError, prepare, say

RECORDING = "captures/heron-flight.pcapng"
COMMANDS = (
    ("outages", RECORDING, "--format", "table"),
    ("timing", RECORDING, "--format", "table"),
    ("channels", RECORDING, "--format", "table"),
)


def main(arguments: list[str]) -> int:
    argparse.ArgumentParser(prog="start.py", description=__doc__).parse_args(arguments)
    try:
        python = prepare("run")
    except SetupError as error:
        print(f"start.py: {error}", file=sys.stderr)
        return 2
    if not (ROOT / RECORDING).exists():
        print(f"start.py: {RECORDING} is missing: get the whole project again", file=sys.stderr)
        return 2
    if sys.stdin.isatty() and sys.stdout.isatty() and os.environ.get("TERM") != "dumb":
        say("a recording opens: ? explains every figure, q leaves")
        code = subprocess.run([python, "-m", "busbench", "watch", RECORDING], cwd=ROOT, check=False).returncode
        activate = python.with_name("activate").relative_to(ROOT)
        say(f"to go on: {'' if os.name == 'nt' else '. '}{activate}, then busbench --help")
        return code
    for command in COMMANDS:
        print(f"\n$ busbench {' '.join(command)}", flush=True)
        code = subprocess.run([python, "-m", "busbench", *command], cwd=ROOT, check=False).returncode
        if code:
            print(f"start.py: busbench {command[0]} ended with exit code {code}", file=sys.stderr)
            return code
    program = python.with_name("busbench").relative_to(ROOT)
    say(f"all of it: {program} --help")
    return 0


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        sys.exit(130)
    except BrokenPipeError:
        # The reader has gone, as `head` does: nothing may be written at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
