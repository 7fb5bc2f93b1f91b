"""The reference: every topic fits a terminal, every key is explained, its tables are those of the program."""

from __future__ import annotations

import re

import msgspec
import pytest

from busbench.drive.program_keys import PartTable, ProgramTables
from busbench.drive.shape_words import SHAPES
from busbench.errors import BusbenchError
from busbench.reference import tables
from busbench.reference.topics import TOPICS, source_text, topic_list, topic_text
from busbench.rig import model
from busbench.schema import key_texts
from busbench.sim.address import KEYS
from busbench.sim.aircraft_faults import FAULTS
from busbench.wire.scale import Scale


def held_to_width(line: str) -> bool:
    """Command lines and Python are not wrapped, so that they can be copied."""
    return not re.match(r"\$ |.*  # -> |import |busbench\.| {20,}\S|    \w+  ", line)


@pytest.mark.parametrize("topic", TOPICS)
def test_a_topic_fits_76_columns_and_has_its_tables(topic: str) -> None:
    text = topic_text(topic)
    assert text.startswith("# ")
    # The screen's help leaves 76 of 80 columns; rows that a command prints are copied as they are.
    assert [line for line in text.splitlines() if len(line) > 76 and held_to_width(line)] == []
    assert "{{" not in text
    assert "```" not in text
    assert text.endswith("\n")


def test_the_topics_are_listed_in_80_columns() -> None:
    lines = topic_list().splitlines()
    assert [line.split()[0] for line in lines] == [
        "results", "wiring", "faq", "terms", "formats", "rig-file", "drive-program", "virtual", "python",
    ]  # fmt: skip
    assert max(map(len, lines)) <= 80


@pytest.mark.parametrize(
    ("topic", "line"),
    [
        ("wirring", "wirring: unknown topic: did you mean wiring?"),
        (
            "zzz",
            "zzz: unknown topic: give one of results, wiring, faq, terms, formats, rig-file, drive-program, virtual,"
            " python",
        ),
        ("../faq", "../faq: unknown topic: did you mean faq?"),
    ],
)
def test_an_unknown_topic_is_one_line(topic: str, line: str) -> None:
    with pytest.raises(BusbenchError) as caught:
        topic_text(topic)
    assert str(caught.value) == line


def test_a_row_is_wrapped_below_its_meaning() -> None:
    long = "word " * 20
    assert tables.definitions([("key", "short"), ("k" * 30, "x"), ("a", long)], indent=10).splitlines() == [
        "  key     short",
        "  " + "k" * 30,
        "          x",
        "  a       " + ("word " * 13).strip(),
        "          " + ("word " * 7).strip(),
    ]


def test_every_table_and_key_of_a_rig_file_is_explained() -> None:
    shown = dict(tables.tables_of(model.Rig))
    kinds = {
        kind
        for kind in vars(model).values()
        if isinstance(kind, type) and issubclass(kind, msgspec.Struct) and kind.__struct_fields__
    }
    assert set(shown.values()) == kinds - {model.Rig}
    assert list(shown)[:7] == ["[rig]", "[supply]", "[[hub]]", "[[feed]]", "[[device]]", "[scale]", "[verify]"]
    for kind in shown.values():
        assert [one for one in kind.__struct_fields__ if not key_texts(kind).get(one)] == [], kind


def test_rows_of_the_rig_file_show_key_default_and_meaning() -> None:
    text = tables.keys_of(model.Rig)
    for row in (
        "  name                  name of the aircraft [required]",
        "  arm_deg               angle of the arm at 100 % [45]",
        '  on                    hub or receiver it is plugged into ["receiver"]',
        "  us_per_count          µs per count [0.625]",
        "  slot                  slot of a sensor, 0 to 31",
        "lead = { … }",
    ):
        assert row in text.splitlines()


def test_every_table_and_key_of_a_program_is_explained() -> None:
    shown = dict(tables.tables_of(ProgramTables))
    assert list(shown) == ["[scale]", "[limits]", "[[channel]]", "[[part]]", "[[fault]]"]
    for kind in shown.values():
        assert [one for one in kind.__struct_fields__ if not key_texts(kind).get(one)] == [], kind
    text = tables.keys_of(ProgramTables)
    for row in (
        '  unit                  unit of all levels: "%", "us" or "counts" ["%"]',
        "  period_end            chirp: seconds of its last cycle; required",
        "  duration              seconds [required]",
        "  centre_us             pulse at the centre, µs [1500]",
    ):
        assert row in text.splitlines()


def test_every_shape_and_key_of_a_part_belongs_together() -> None:
    keys = {key for declared in SHAPES.values() for key in declared.keys}
    assert keys | {"channel", "shape", "unit", "delay"} == set(PartTable.__struct_fields__)


def test_every_setting_and_fault_is_listed() -> None:
    text = topic_text("virtual")
    for key in KEYS:
        assert re.search(rf"^  {key.name}={re.escape(key.like)}\s", text, re.MULTILINE), key.name
    flat = " ".join(text.split())
    for kind, words in FAULTS.items():
        value = f" VALUE: {words.value}." if words.value else ""
        name = f"{kind}:DEVICE" if words.has_device else kind
        assert f"{name} {words.what}.{value} Shows in {words.shows}" in flat
    assert "reversed:DEVICE the device runs the other way. Shows in walk: right way, no" in flat


def test_every_format_is_in_the_table() -> None:
    from busbench.capture.formats import FORMATS

    text = source_text("formats")
    for made in FORMATS:
        assert made.reader().FORMAT in text


def test_the_example_of_another_scale_is_right() -> None:
    text = topic_text("rig-file")
    assert "centre_us = 1520\nus_per_count = 0.4884" in text
    scale = Scale(centre_us=1520, us_per_count=0.4884)
    # Common practice, no source: 1520 µs ± 400 µs.
    assert [round(float(scale.to_us(scale.from_percent(percent)))) for percent in (-100, 100)] == [1120, 1920]
    assert "1500 ± 512 µs" in text
    assert round(float(Scale().to_us(Scale().from_percent(100)))) == 2012
