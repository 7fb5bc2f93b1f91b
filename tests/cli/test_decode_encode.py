"""One frame taken apart and put together on the command line, literally."""

from __future__ import annotations

import json
import sys

import pytest

from busbench.cli import decode, encode
from busbench.cli.main import run
from busbench.errors import BusbenchError
from busbench.wire.frame_spec import encode_frame, take_apart
from tests.cli.running import call, invoke, refusal_of

REST = "0fe0031ff8c0073ef0810f7ce0031ff8c0073ef0810f7c0000"  # all at 992; made by hand: 01111100000 sixteen times
MIXED = "0fe0d32b2bc0073ef0810f7ce0031ff8c0073ef0810f7c0804"
Capture = pytest.CaptureFixture[str]


@pytest.fixture
def out(capfd: Capture) -> Capture:
    return capfd


def test_a_frame_bit_by_bit(out: Capture) -> None:
    ran = call(out, "decode", MIXED)
    assert ran.code == 0
    lines = ran.out.splitlines()
    assert lines[:4] == [
        "ch  bits         byte:bits, least first  counts      µs       %",
        "1   01111100000  1:0-7  2:0-2               992  1500.0    +0.0",
        "2   10101111010  2:3-7  3:0-5              1402  1756.2   +50.1",
        "3   00010101100  3:6-7  4:0-7  5:0          172   987.5  -100.1",
    ]
    assert lines[16:] == [
        "16  01111100000  21:5-7  22:0-7             992  1500.0    +0.0",
        "byte 23, bits 0-3: ch 17 off, ch 18 off, frame lost off, failsafe on",
        "byte 24: end byte 0x04, slots for sensors",
        "odd: failsafe without the frame-lost flag",
        "scale: 1500 µs at 992 counts, 0.625 µs a count (an assumption)",
    ]


@pytest.mark.parametrize(("end", "more"), [("00", ""), ("04", ", slots for sensors"), ("34", ", slots for sensors")])
def test_end_bytes_of_slots_are_named(end: str, more: str, out: Capture) -> None:
    assert call(out, "decode", REST[:-2] + end).out.splitlines()[18] == f"byte 24: end byte 0x{end}{more}"


def test_for_programs(out: Capture) -> None:
    ran = call(out, "decode", MIXED, "--format", "json")
    frame = json.loads(ran.out)
    assert frame["channels"] == [992, 1402, 172] + [992] * 13
    assert {key: frame[key] for key in ("ch17", "ch18", "frame_lost", "failsafe", "end_byte", "is_frame")} == {
        "ch17": False, "ch18": False, "frame_lost": False, "failsafe": True, "end_byte": "0x04", "is_frame": True,
    }  # fmt: skip
    assert frame["channels_us"][2] == 987.5
    assert frame["channels_pct"][:3] == [0.0, 50.061, -100.122]  # 410 and -820 of 819 counts
    assert frame["channel_bits"][2] == [
        {"byte": 3, "low": 6, "high": 7}, {"byte": 4, "low": 0, "high": 7}, {"byte": 5, "low": 0, "high": 0},
    ]  # fmt: skip
    several = json.loads(call(out, "decode", REST + MIXED, "--format", "json").out)
    assert [one["failsafe"] for one in several] == [False, True]
    rows = call(out, "decode", REST, MIXED, "--format", "csv").out.splitlines()
    assert rows[1] == "992," * 16 + "0,0,0,0,0x00,"
    assert rows[2].endswith(",0,0,0,1,0x04,failsafe without the frame-lost flag")


@pytest.mark.parametrize(
    "words",
    [
        (REST,),
        (REST.upper(),),
        tuple(REST[at : at + 2] for at in range(0, 50, 2)),
        (", ".join(f"0x{REST[at : at + 2]}" for at in range(0, 50, 2)),),
        ("".join(f"\\x{REST[at : at + 2]}" for at in range(0, 50, 2)),),
        (":".join(REST[at : at + 2] for at in range(0, 50, 2)) + "\n",),
    ],
)
def test_hex_in_every_dress(words: tuple[str, ...]) -> None:
    assert decode.read_hex(words) == bytes.fromhex(REST)


def test_digits_of_standard_input_up_to_a_limit(monkeypatch: pytest.MonkeyPatch) -> None:
    assert invoke(decode.command, "-", stdin=f"{REST}\n").stdout == invoke(decode.command, REST).stdout
    monkeypatch.setattr(decode, "BYTES_MAX", 50)
    assert invoke(decode.command, "-", stdin=REST).exit_code == 0
    assert refusal_of(decode.command, "-", stdin=f"{REST} ") == ("standard input: is larger than 50 bytes: shorten it")
    assert refusal_of(decode.command, "-", stdin="0f e") == (
        "standard input: has an odd number of digits: give two for each byte"
    )


@pytest.mark.parametrize(("flags", "states"), [("00", (False, False)), ("01", (True, False)), ("02", (False, True))])
def test_each_on_off_channel_has_its_own_bit(out: Capture, flags: str, states: tuple[bool, bool]) -> None:
    ran = call(out, "decode", REST[:46] + flags + REST[48:], "--format", "json")
    frame = json.loads(ran.out)
    assert (frame["ch17"], frame["ch18"]) == states
    ran = call(out, "decode", REST[:46] + flags + REST[48:], "--format", "csv")
    head, row = (line.split(",") for line in ran.out.splitlines())
    assert [row[head.index(name)] for name in ("ch17", "ch18")] == [str(int(one)) for one in states]


def test_bytes_that_are_no_frame_are_taken_apart_and_fail(out: Capture) -> None:
    ran = call(out, "decode", "f0" + REST[2:46] + "f0" + "55")
    assert ran.code == 1
    assert [line for line in ran.out.splitlines() if line.startswith("odd: ")] == [
        "odd: byte 0 is 0xF0, not the header 0x0F",
        "odd: byte 23 is 0xF0: its bits 4-7 must be zero",
        "odd: byte 24 is 0x55, no end byte",
    ]
    assert "16  01111100000" in ran.out


@pytest.mark.parametrize(
    ("words", "hex_text"),
    [
        ((), REST),
        (("--ch", "1-16=1500us"), REST),
        (("--ch", "1=1500us", "--ch", "2=50%", "--ch", "3=172", "--failsafe", "--end-byte", "0x04"), MIXED),
        (("--ch", "1=2047", "--ch", "1=992"), REST),
        (("--ch", "1-16=0", "--ch", "17,18=on", "--lost"), "0f" + "00" * 22 + "0700"),
        (("--ch", "1-16=2047"), "0f" + "ff" * 22 + "0000"),
    ],
)
def test_a_frame_put_together(words: tuple[str, ...], hex_text: str, out: Capture) -> None:
    ran = call(out, "encode", *words)
    assert (ran.code, ran.out) == (0, hex_text + "\n")


def test_raw_bytes_for_a_pipe_but_not_for_a_terminal(
    capfdbinary: pytest.CaptureFixture[bytes], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert run(["encode", "--format", "raw"]) == 0
    assert capfdbinary.readouterr().out == bytes.fromhex(REST)
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    assert run(["encode", "--format", "raw"]) == 2
    assert capfdbinary.readouterr().out == b""


def test_what_is_encoded_is_decoded() -> None:
    frame = encode.build_frame(("1=172", "5-7=-37.5%", "16=2011.875us", "18=on"), is_lost=True, end=0x34)
    assert frame.channels[:8] == (172, 992, 992, 992, 685, 685, 685, 992)
    assert frame.channels[15] == 1811
    assert frame.states == (False, True)


@pytest.mark.parametrize(("counts", "is_odd"), [(171, True), (172, False), (1811, False), (1812, True), (0, True)])
def test_counts_past_the_customary_endpoints_are_odd(counts: int, is_odd: bool) -> None:
    frame = encode_frame(encode.build_frame((f"16={counts}",)))
    said = f"channel 16 is at {counts}, past the customary endpoints 172 and 1811"
    assert decode.odd_about(take_apart(frame)) == [said] * is_odd


@pytest.mark.parametrize(("is_lost", "is_failsafe"), [(True, True), (True, False), (False, False)])
def test_failsafe_is_odd_only_without_the_frame_lost_flag(is_lost: bool, is_failsafe: bool) -> None:
    frame = encode_frame(encode.build_frame((), is_lost=is_lost, is_failsafe=is_failsafe))
    assert decode.odd_about(take_apart(frame)) == []


@pytest.mark.parametrize(
    ("value", "counts"),
    [("0", 0), ("2047", 2047), ("880us", 0), (" 2159.3µs", 2047), ("172.0", 172), ("+100%", 1811), ("-121.1%", 0)],
)
def test_values_up_to_what_a_frame_holds(value: str, counts: int) -> None:
    # 0.625 µs a count about 1500 µs at 992: 880 µs is 0 counts; 2159.3 µs is 2046.88.
    assert encode.build_frame((f"1={value}",)).channels[0] == counts


@pytest.mark.parametrize(
    ("setting", "says"),
    [
        ("1=2048", "--ch 1: 2048 counts does not fit a frame: give 0 to 2047"),
        ("16=-1", "--ch 16: -1 counts does not fit a frame: give 0 to 2047"),
        ("2=2159.7us", "--ch 2: 2048 counts does not fit a frame: give 0 to 2047"),
        ("2=172.5", "--ch 2: 172.5 is not a whole number of counts: give counts, µs or percent"),
        ("17=1", '--ch 17: "1" is not a state: give on or off'),
        ("16=on", '--ch 16: "on" is not a value: give counts, µs or percent'),
        ("1", '--ch: "1" is not a setting: give it as in 1=1500us'),
    ],
)
def test_values_that_no_frame_holds(setting: str, says: str) -> None:
    with pytest.raises(BusbenchError) as caught:
        encode.build_frame((setting,))
    assert str(caught.value).startswith(says)


def test_an_on_off_channel_is_set_and_set_back() -> None:
    states = encode.build_frame(("17-18=on", "17=off")).states
    assert states == (False, True)


def test_end_bytes_are_read_as_hexadecimal() -> None:
    assert [encode.read_end_byte(text) for text in ("0x00", "0", "4", "0x34")] == [0, 0, 4, 0x34]
    for text in ("0x05", "-1", "", "x"):
        with pytest.raises(BusbenchError, match=f'^--end-byte: "{text}" is not an end byte'):
            encode.read_end_byte(text)
