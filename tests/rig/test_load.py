"""A rig file read, and every way it can be wrong reported by file, key and value."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busbench.errors import RigError
from busbench.rig.load import parse_rig, read_rig
from busbench.rig.model import Current, Lead
from busbench.rig.template import STARTER
from tests.rig.rigs import HEAD, HERON, rig

DEVICE = '[[device]]\nname = "left flap"\n'
AT = ' (device "left flap", table at line 7)'


def test_keys_are_read_as_the_file_writes_them() -> None:
    heron = read_rig(HERON)
    gear = heron.device("gear")
    assert (heron.plan.name, heron.plan.period_ms, heron.supply.voltage_v) == ("Heron", 15.0, 7.4)
    assert (gear.channel, gear.parent, gear.failsafe, gear.start_ramp_s) == (7, "receiver", "hold", 1.5)
    assert gear.current_a == Current(idle=0.02, moving=1.2, stall=4.0, holding=0.4, hold_lowered_after_s=30)
    assert gear.lead == Lead(length_m=0.3, awg=22)
    assert heron.device("rudder").failsafe == 0.0
    assert [hub.parent for hub in heron.hubs] == ["receiver"] * 3
    assert (heron.scale.centre_counts, heron.scale.centre_us, heron.scale.us_per_count) == (992, 1500.0, 0.625)


def test_defaults_of_a_device() -> None:
    flap = rig(DEVICE).devices[0]
    assert (flap.kind, flap.channel, flap.parent, flap.reversed, flap.mounting) == (
        "servo", None, "receiver", False, "normal",
    )  # fmt: skip
    assert (flap.travel_pct, flap.failsafe, flap.motor, flap.neutral_us) == (100.0, None, None, None)


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (
            'lead = {length_m = 1, awg = "thick"}',
            'device[1].lead.awg: "thick" is not a whole number' + AT + ": give 0 to 40",
        ),
        (
            "lead = {length_m = 1, awg = 50}",
            "device[1].lead.awg: 50 is out of range" + AT + ": give 0 to 40",
        ),
        (
            "lead = {length_m = -1, awg = 20}",
            "device[1].lead.length_m: -1 is out of range" + AT + ": give a number above 0",
        ),
        (
            "lead = {length_m = 1}",
            "device[1].lead: states no gauge, area or resistance"
            + AT
            + ": give one of awg, area_mm2 and resistance_ohm",
        ),
        (
            "lead = {length_m = 1, awg = 20, area_mm2 = 0.5}",
            "device[1].lead: states awg and area_mm2" + AT + ": give one of awg, area_mm2 and resistance_ohm",
        ),
        ("lead = {awg = 20}", "device[1].lead: states awg without length_m" + AT + ": give its length one way"),
        ("lead = 3", "device[1].lead: 3 is not a table" + AT + ": write [device.lead] above its keys"),
        (
            'kind = "serov"',
            'device[1].kind: "serov" is not known' + AT + ': did you mean "servo"?',
        ),
        (
            'kind = "winch"',
            'device[1].kind: "winch" is not known' + AT + ': give "off-bus", "sensor" or "servo"',
        ),
        (
            'failsafe = "hodl"',
            'device[1].failsafe: "hodl" is not known' + AT + ': did you mean "hold"?',
        ),
        ("failsafe = 300", "device[1].failsafe: 300 is out of range" + AT + ": give -200 to 200"),
        (
            "failsafe = true",
            "device[1].failsafe: true is not known" + AT + ': give "hold", "silence" or a number',
        ),
        (
            "motor = 1",
            "device[1].motor: 1 is not known" + AT + ': give "electric", "engine", true or false',
        ),
        ('motor = "engin"', 'device[1].motor: "engin" is not known' + AT + ': did you mean "engine"?'),
        ("control = 1", "device[1].control: 1 is not a line of text" + AT + ": write it in quotes"),
        ("chanel = 3", "device[1].chanel: not a key of [[device]]" + AT + ": did you mean channel?"),
        (
            "connector_ohm = 0.01",
            "device[1].connector_ohm: not a key of [[device]]" + AT + ": it goes below [device.lead]",
        ),
        (
            "[device.lead]\nresistance_ohm = 1\nchannel = 1",
            "device[1].lead.channel: not a key of [device.lead]"
            + AT
            + ": it goes below [[device]], above [device.lead]",
        ),
        ("channel = 3.5", "device[1].channel: 3.5 is not a whole number" + AT),
        ("channel = true", "device[1].channel: true is not a whole number" + AT),
        ("travel_pct = inf", "device[1].travel_pct: inf is not a number" + AT + ": write digits"),
        ("travel_pct = nan", "device[1].travel_pct: nan is not a number" + AT + ": write digits"),
        (
            "current_a = {stall = []}",
            "device[1].current_a.stall: [] is not a number" + AT + ": give a number of at least 0",
        ),
        (
            'group = "fl\\u001b[2Japs"',
            'device[1].group: "fl\\x1b[2Japs" holds a control character' + AT + ": use plain text on one line",
        ),
        (
            "channel = " + "9" * 30,
            "device[1].channel: 999999999999999999999999999999 is far too large"
            + AT
            + ": mind the unit in the key's name",
        ),
        (
            "travel_pct = 1e-9",
            "device[1].travel_pct: 1e-09 is far too small" + AT + ": mind the unit in the key's name",
        ),
    ],
)
def test_a_wrong_value_is_named_with_its_place(line: str, said: str) -> None:
    with pytest.raises(RigError) as caught:
        rig(DEVICE, line)
    assert str(caught.value) == f"rig.toml, {said}"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "rig.toml, rig: missing: write [rig], and below it name and period_ms"),
        ('[rig]\nname = "a"\nperiod_ms = 14\n', "rig.toml, supply: missing: write [supply], and below it voltage_v"),
        (HEAD + "[[device]]\nchannel = 1\n", "rig.toml, device[1].name: missing"
         " (table at line 7): state it below [[device]]"),
        (HEAD + "[device]\nchannel = 1\n", "rig.toml, device: is not a list of tables: write [[device]] above each"),
        (HEAD + '[[device]]\nname = ""\n', 'rig.toml, device[1].name: "" has 0 characters'
         " (table at line 7): give 1 to 60"),
        (HEAD + "[scale]\ncentre_counts = 5000\n",
         "rig.toml, scale.centre_counts: 5000 is out of range: give 0 to 2047 counts"),
        ("[rig\n", "rig.toml: line 1 is not the heading of a table:"
         " write [name], or [[name]] where there may be several"),
        ("a = 1\na = 2\n", "rig.toml: line 2 states a key again: keep one of the two"),
        ("a = " + "[" * 5000, "rig.toml: is nested too deep: write tables as `busbench help rig-file` shows them"),
        ("a = " + "9" * 5000, "rig.toml: holds a number of thousands of digits: shorten it"),
        (
            HEAD + "[hubs]\n",
            "rig.toml, hubs: not a key of a rig file: did you mean [[hub]]?",
        ),
    ],
)  # fmt: skip
def test_a_wrong_file_is_told_in_one_line(text: str, said: str) -> None:
    with pytest.raises(RigError) as caught:
        parse_rig(text, path="rig.toml")
    assert str(caught.value) == said


def test_list_entries_count_from_one() -> None:
    with pytest.raises(RigError, match=r"^rig\.toml, device\[3\]\.lead\.awg: "):
        rig(DEVICE, DEVICE, DEVICE, 'lead = {length_m = 1, awg = ""}')


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    missing = tmp_path / "none.toml"
    with pytest.raises(RigError) as caught:
        read_rig(missing)
    assert (
        str(caught.value)
        == f"{missing}: file not found: check the name and the folder, or begin one with `busbench rig new`"
    )
    with pytest.raises(RigError) as caught:
        read_rig(tmp_path)
    assert str(caught.value) == f"{tmp_path}: this is a folder: name a file inside it"
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'[rig]\nname = "Fl\xfcgel"\n')
    with pytest.raises(RigError) as caught:
        read_rig(latin)
    assert str(caught.value) == f"{latin}: line 2 is not UTF-8 text: save the file as UTF-8"
    with pytest.raises(RigError, match="cannot be read"):
        read_rig("a\0b")


def test_windows_line_ends_and_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_bytes(b"\xef\xbb\xbf" + HEAD.replace("\n", "\r\n").encode())
    assert read_rig(path).plan.name == "Heron"


KEYS = st.sampled_from(["device", "hub", "rig", "supply", "lead", "name", "channel", "awg", "scale", "failsafe", "x"])
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
    max_leaves=12,
)


def _toml(value: object) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {_toml(one)}" for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(c):08x}" for c in value if not 0xD800 <= ord(c) < 0xE000) + '"'
    return "''" if value is None else str(value)


def error_of(text: str) -> str:
    """What is said of a text, "" if it is good; any other exception fails the test."""
    try:
        parse_rig(text, path="rig.toml")
    except RigError as error:
        return str(error)
    return ""


@given(st.dictionaries(KEYS, VALUES, max_size=5))
def test_no_values_give_a_traceback(values: dict[str, object]) -> None:
    assert "\n" not in error_of("".join(f"{key} = {_toml(value)}\n" for key, value in values.items()))


@given(st.text(max_size=40), st.integers(0, len(STARTER)))
def test_no_damage_to_a_good_file_gives_a_traceback(text: str, place: int) -> None:
    assert "\n" not in error_of(STARTER[:place] + text + STARTER[place:])
