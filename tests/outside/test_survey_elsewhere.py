"""A survey on a cluster and from an object store makes the same rows; a data base reads its table."""

from __future__ import annotations

import re
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import distributed
import duckdb
import pytest
from obstore.fsspec import register

from busbench.bench.survey import survey
from busbench.reference.topics import source_text
from tests.cli.running import CAPTURES, call
from tests.outside.object_store import object_store

NAMES = ("heron-line.vcd", "heron-pair.pcapng", "heron-tty.pcapng")


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = tmp_path / "bench" / "season"
    folder.mkdir(parents=True)
    for name in NAMES:
        shutil.copy(CAPTURES / name, folder)
    (folder / "broken.csv").write_text("?")
    return folder


# Its workers start and end with warnings of their own.
@pytest.mark.filterwarnings("ignore")
def test_a_cluster_of_three_processes_makes_the_same_table(
    capfd: pytest.CaptureFixture[str], season: Path, tmp_path: Path
) -> None:
    alone, together = tmp_path / "alone.parquet", tmp_path / "together.parquet"
    survey([season], output=alone)
    make: Any = distributed.LocalCluster  # has no types
    with make(n_workers=3, threads_per_worker=1, dashboard_address=None) as cluster:
        ran = call(capfd, "survey", season, "-o", together, "--dask", cluster.scheduler_address)
    assert (ran.code, ran.err.splitlines()[-1]) == (0, f"busbench: wrote {together} (4 recordings)")
    assert together.read_bytes() == alone.read_bytes()


@pytest.fixture
def store(season: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    with object_store(season.parent.parent) as address:
        register("s3")
        for name, value in (
            ("AWS_ENDPOINT", address), ("AWS_ALLOW_HTTP", "true"), ("AWS_SKIP_SIGNATURE", "true"),
            ("AWS_REGION", "us-east-1"),
        ):  # fmt: skip
            monkeypatch.setenv(name, value)
        yield "s3://bench/season/"
    del sys.modules["fsspec.registry"]._registry["s3"]


def without(row: dict[str, Any], *names: str) -> dict[str, Any]:
    return {name: value for name, value in row.items() if name not in names}


def test_recordings_of_an_object_store_make_the_same_rows(season: Path, store: str) -> None:
    here, there = list(survey([season]).rows()), list(survey([store]).rows())
    assert [without(row, "path") for row in there] == [without(row, "path") for row in here]
    assert [row["path"] for row in there[:2]] == [f"{store}broken.csv", f"{store}heron-line.vcd"]
    (row,) = survey([f"{store}heron-l*"]).rows()
    assert row["outages_frames"] == 134


def test_a_data_base_reads_the_table_as_the_reference_shows(
    season: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    found = survey([season], output="season.parquet")
    (query,) = re.findall(r"```sql\n(.*?)```", source_text("python"), re.DOTALL)
    rows = [(row["unit"], row["timing_period_jitter_s_rms_low"]) for row in found.rows() if row["unit"]]
    assert [(unit, low) for unit, _, low in duckdb.execute(query).fetchall()] == [
        (unit, pytest.approx(low * 1e6)) for unit, low in sorted(rows, key=lambda one: -one[1])
    ]
    sums = "SELECT count(*), count(error), sum(outages_missed), max(outages_start_utc::TIMESTAMP) FROM 'season.parquet'"
    ((total, broken, missed, latest),) = duckdb.execute(sums).fetchall()
    assert (total, broken, missed) == (5, 1, 138 + 96)
    assert latest.year == 2026
