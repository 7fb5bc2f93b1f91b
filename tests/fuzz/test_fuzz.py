"""What fuzzing found stays mended, and seeded random mutations of every input hold its law."""

from __future__ import annotations

import random
from pathlib import Path

import fuzz_seeds
import pytest
from fuzz_targets import TARGETS, attempt

from busbench.errors import BusbenchError

CASES = Path(__file__).parent / "cases"
SLOW = {"byte-csv", "level-csv", "any", "frames", "edges", "line", "rig"}

# What once was found, by target: an input, and the beginning of the line that it gets now. Greater ones are in cases/.
FOUND = [
    ("program", b'name = "x"\nrepeat = ' + b"9" * 5000, "holds a number of thousands of digits"),
    (
        "program",
        b'[[part]]\nchannel = 1\nshape = "hold"\nduration = 0x' + b"F" * 5000,
        "duration: a number of thousands of digits is out of range",
    ),
    ("program", b"a = " + b"[" * 3000, "is nested too deep"),
    (
        "rig",
        b'[rig]\nname = "x"\nperiod_ms = 0x' + b"F" * 5000,
        "period_ms: a number of thousands of digits is far too large",
    ),
    ("virtual", b"?speed=\xff", r'speed: "\udcff" is not understood'),
    ("virtual", "?se\u202eed=3".encode(), r'"se\u202eed" is not a setting'),
]


@pytest.mark.parametrize(("target", "data", "said"), FOUND)
def test_what_was_found_is_told_in_one_clean_line(target: str, data: bytes, said: str, tmp_path: Path) -> None:
    attempt(TARGETS[target], data, str(tmp_path / "input"))
    with pytest.raises(BusbenchError) as caught:
        TARGETS[target].run(data, str(tmp_path / "input"))
    assert said in str(caught.value)


@pytest.mark.parametrize("case", sorted(CASES.iterdir()), ids=lambda case: str(case.name))
def test_kept_cases(case: Path, tmp_path: Path) -> None:
    target = max((name for name in TARGETS if case.name.startswith(f"{name}-")), key=len)
    attempt(TARGETS[target], case.read_bytes(), str(tmp_path / "input"))


@pytest.mark.parametrize("name", TARGETS)
def test_seeded_mutations_hold_the_law_of_each_target(name: str, tmp_path: Path) -> None:
    target = TARGETS[name]
    seeds = target.seeds()
    for seed in seeds:
        attempt(target, seed, str(tmp_path / "input"))
    for number in range(15 if name in SLOW else 60):
        rng = random.Random(f"{name} {number}")
        data = rng.choice(seeds)
        for _ in range(rng.randint(1, 4)):
            data = target.mutate(data, rng, fuzz_seeds.plain_inner(rng))
        attempt(target, data, str(tmp_path / "input"))


def test_most_seeds_are_taken_whole(tmp_path: Path) -> None:
    """A seed that its own reader refuses would leave nothing after it to be fuzzed."""
    for name, target in TARGETS.items():
        for seed in target.seeds()[:1]:
            target.run(seed, str(tmp_path / f"{name}-input"))
