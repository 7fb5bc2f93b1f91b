"""JUnit out, answers of a walk in."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from busbench.errors import BusbenchError
from busbench.verify.check import Verdict
from busbench.verify.junit import junit_xml
from busbench.verify.verify import verify
from busbench.verify.walk_answers import check_walk, read_walk
from tests.verify.rounds import RIG, round_of


def test_what_was_not_tested_is_an_error_to_programs() -> None:
    root = ET.fromstring(junit_xml(verify(round_of("no failsafe flag"), RIG)))
    assert root.attrib == {"tests": "74", "failures": "1", "errors": "1"}
    (error,) = root.iter("error")
    assert error.attrib == {"type": "not tested", "message": "there was no failsafe flag to wait for"}
    (failure,) = root.iter("failure")
    assert failure.attrib["message"].startswith("values went on over 3.61 s without link")
    assert len(list(root.iter("testcase"))) == 74


def test_answers_of_a_walk_are_checks(tmp_path: Path) -> None:
    path = tmp_path / "walk.json"
    path.write_text(
        '{"rig": "Heron", "more": 1, "answers": ['
        '{"device": "rudder", "channel": 6, "question": "right way", "answer": "yes"},'
        '{"device": "rudder", "question": "smooth", "answer": "No", "note": "sticks"},'
        '{"device": "gear", "question": "full throw", "answer": "skipped"}]}',
        encoding="utf-8",
    )
    found = [(c.subject, c.name, c.verdict, c.sentence) for c in check_walk(read_walk(str(path)))]
    assert found == [
        ("channel 6 (rudder)", "right way", Verdict.PASS, "yes"),
        ("rudder", "smooth", Verdict.FAIL, "No: sticks"),
        ("gear", "full throw", Verdict.NOT_TESTED, "skipped"),
    ]


@pytest.mark.parametrize("text", ["", "[]", '{"answers": 3}', '{"answers": [{"device": "x"}]}', "\xff"])
def test_a_file_of_no_answers_is_told_in_one_line(tmp_path: Path, text: str) -> None:
    path = tmp_path / "walk.json"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(BusbenchError, match="holds no answers of a walk") as caught:
        read_walk(str(path))
    assert "\n" not in str(caught.value)
    with pytest.raises(BusbenchError, match="No such file"):
        read_walk(str(tmp_path / "none.json"))
