"""Coverage-guided fuzzing of everything that takes foreign bytes or text.

    pip install atheris                                     (Linux, CPython 3.11-3.13; in an environment beside .venv)
    python3 tools/fuzz.py TARGET [--runs N | --seconds S]   (--help lists the targets)

In every run: nothing is raised but a BusbenchError of one clean line, the work takes
at most 1 s per megabyte and 10 times the input plus 100 MB, and the law of the target
holds. A finding is written to FOLDER/TARGET-*.bin, and the fuzzing goes on. Findings
that were mended are kept in tests/fuzz/cases/; a test runs them, and seeded random
mutations of the same kinds, without atheris.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import os
import random
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

from fuzz_targets import TARGETS, FoundError, attempt

_BYTES_MAX = 8192
_SAMPLE = 400  # Python's own memory is measured in one run of so many
_GROWTH_BYTES = 100 << 20
_HAS_GROWN = 71  # libFuzzer's code where the process holds more than it may: atheris keeps some of every run


@dataclass
class _Tally:
    """Runs a target and counts in a file, since the fuzzing process ends silently."""

    name: str
    found: Path
    scratch: Path
    runs: int = 0
    seen: dict[str, int] = field(default_factory=dict)

    def one(self, data: bytes) -> None:
        self.runs += 1
        held, highest = _held_bytes(), _highest_bytes()
        try:
            attempt(TARGETS[self.name], bytes(data), str(self.scratch / "input"), measured=self.runs % _SAMPLE == 0)
        except FoundError as error:
            self.seen[error.key] = self.seen.get(error.key, 0) + 1
            if self.seen[error.key] == 1:
                kept = self.found / f"{self.name}-{hashlib.sha256(data).hexdigest()[:10]}.bin"
                kept.write_bytes(data)
                print(f"FOUND {self.name}: {error.key}: {kept}\n{error.what}", flush=True)
        if (now := _highest_bytes()) > max(highest, held + 10 * len(data) + _GROWTH_BYTES):
            kept = self.found / f"{self.name}-memory-{hashlib.sha256(data).hexdigest()[:10]}.bin"
            kept.write_bytes(data)
            print(f"FOUND {self.name}: {(now - held) >> 20} MB for {len(data)} bytes: {kept}", flush=True)
        if self.runs % 100 == 0:
            (self.scratch / "tally").write_text(f"{self.runs} runs, found {self.seen or 'nothing'}", encoding="utf-8")


def _held_bytes() -> int:
    return int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")


def _highest_bytes() -> int:
    import resource

    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def fuzz(name: str, *, runs: int, seconds: int, found: Path, corpus: Path, scratch: Path) -> None:
    """Fuzz one target for a number of runs or a time; does not return."""
    atheris = importlib.import_module("atheris")  # not among what every developer installs
    target = TARGETS[name]
    tally = _Tally(name, found, scratch)
    with atheris.instrument_imports(include=["busbench"]):
        for seed in target.seeds():
            (corpus / hashlib.sha256(seed).hexdigest()[:16]).write_bytes(seed)
            tally.one(seed)  # imports what is to be guided by

    def mutate(data: bytes, size: int, seed: int) -> bytes:
        rng = random.Random(seed)
        return target.mutate(data, rng, lambda some: bytes(atheris.Mutate(some, max(len(some) + 64, 64))))[:size]

    words = [sys.argv[0], str(corpus), f"-max_len={_BYTES_MAX}", f"-runs={runs}", f"-max_total_time={seconds}"]
    words += ["-rss_limit_mb=2048", "-timeout=60", f"-artifact_prefix={found}/{name}-", "-verbosity=0"]
    atheris.Setup(words, tally.one, custom_mutator=mutate)
    atheris.Fuzz()


def main() -> int:
    listed = "\n".join(f"  {name:10} {target.about}" for name, target in TARGETS.items())
    parser = argparse.ArgumentParser(
        description=__doc__, epilog=f"targets:\n{listed}", formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("target", choices=list(TARGETS), metavar="TARGET")
    parser.add_argument("--runs", type=int, default=-1)
    parser.add_argument("--seconds", type=int, default=0)
    parser.add_argument("--found", type=Path, default=Path("fuzz-found"), metavar="FOLDER")
    parser.add_argument("--corpus", type=Path, metavar="FOLDER", help="where inputs of interest are kept between runs")
    given = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        parser.error("the package atheris is not there: pip install atheris")
    with tempfile.TemporaryDirectory(prefix="busbench-fuzz-") as folder:
        scratch, begun = Path(folder), time.monotonic()
        corpus = given.corpus or scratch / "corpus"
        for one in (corpus, given.found):
            one.mkdir(parents=True, exist_ok=True)
        code, left = _HAS_GROWN, given.seconds
        while code == _HAS_GROWN and (left > 0 or not given.seconds):
            child = os.fork()
            if not child:
                fuzz(given.target, runs=given.runs, seconds=left, found=given.found, corpus=corpus, scratch=scratch)
            code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
            tally = scratch / "tally"
            said = tally.read_text(encoding="utf-8") if tally.exists() else "less than 100 runs"
            print(f"{given.target}: {said}, {time.monotonic() - begun:.0f} s, exit code {code}", flush=True)
            left = given.seconds - round(time.monotonic() - begun)
    return code


if __name__ == "__main__":
    sys.exit(main())
