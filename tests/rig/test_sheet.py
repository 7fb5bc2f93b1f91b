"""Order of set-up, labels and the page."""

from __future__ import annotations

import re
from html.parser import HTMLParser

from busbench.rig.load import read_rig
from busbench.rig.sheet import setup_steps, sheet_html, sheet_lines
from tests.rig.rigs import HERON, device, rig


def test_order_by_channel_groups_together_motors_and_sensors_last() -> None:
    plan = rig(
        device("sensor", None, 'kind = "sensor"', failsafe=None),
        device("motor", 1, "motor = true", failsafe="-100"),
        device("right flap", 7, 'group = "flaps"'),
        device("rudder", 4),
        device("left flap", 3, 'group = "flaps"'),
    )
    steps = setup_steps(plan)
    assert [(step.order, step.label) for step in steps] == [
        (1, "3 left flap"),
        (2, "7 right flap"),
        (3, "4 rudder"),
        (4, "1 motor"),
        (5, "sensor"),
    ]


def test_a_step_says_direction_ends_and_neutral() -> None:
    step = setup_steps(rig(device("x", 2, "reversed = true", "travel_pct = 80", "neutral_us = 1520")))[0]
    assert (step.reversed, step.channel, step.failsafe) == (True, 2, "0 %")
    assert (step.low_counts, step.neutral_counts, step.high_counts) == (369, 1024, 1679)
    assert (step.low_us, step.neutral_us, step.high_us) == (1110.5, 1520.0, 1929.5)


def test_two_state_channels_have_no_ends() -> None:
    step = setup_steps(rig(device("gear", 17, failsafe="100")))[0]
    assert step.note == "on or off"
    assert (step.low_counts, step.neutral_counts, step.high_counts) == (None, None, None)
    assert (step.low_us, step.neutral_us, step.high_us) == (None, None, None)


def test_text_for_the_terminal() -> None:
    lines = list(sheet_lines(read_rig(HERON)))
    assert lines[0] == "Heron: set-up sheet"
    assert lines[3] == "2. Plug in one device alone. A setting written while two are plugged in reaches both."
    at = lines.index("[ ]  4  channel 4: right flap, then into right wing")
    assert lines[at + 1 : at + 4] == [
        "        low  988  neutral 1500  high 2012 µs   failsafe -100 %   reversed",
        "        mounted mirrored; goes down above neutral",
        "",
    ]
    assert lines[lines.index("[ ] 11  sensor: pack voltage, then into receiver") + 1] == "        slot 0"
    assert "\n".join(sheet_lines(read_rig(HERON), is_ascii=True)).isascii()


class _Tags(HTMLParser):
    """Checks that tags nest and counts them."""

    VOID = frozenset({"meta", "br", "link", "img", "input", "hr"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append(tag)
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def test_the_page_is_self_contained_and_all_words_are_escaped() -> None:
    nasty = '<script>alert(1)</script>&\\"'
    head = f'[rig]\nname = "{nasty}"\nperiod_ms = 14\n[supply]\nvoltage_v = 7.4\n'
    page = sheet_html(rig(device(nasty, 3, f'group = "{nasty}"'), head=head), made_on="2026-01-31")
    tags = _Tags()
    tags.feed(page)
    assert tags.open == []
    assert "script" not in tags.seen
    assert "<script" not in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;&amp;" in page
    assert "http" not in page
    assert "size: A4" in page
    assert "2026-01-31" in page


def test_the_page_has_a_label_a_device() -> None:
    page = sheet_html(read_rig(HERON))
    assert page.count('<div class="label">') == 11
    assert "<b>17</b><span>tow release</span>" in page
    assert "└─ hub tail" in page
    assert "no proof of airworthiness" in page


def test_the_sheet_says_where_a_motor_is_off_and_an_engine_idles_on_the_wire() -> None:
    electric = device("m", 3, "motor = true", 'kind = "off-bus"', "reversed = true", "rest_pct = 100", failsafe="100")
    engine = device("e", 4, 'motor = "engine"', "idle_pct = -80", 'ignition_kill = "kill"', failsafe="-80")
    notes = {step.name: step.note for step in setup_steps(rig(electric, engine, device("kill", 17, failsafe='"hold"')))}
    assert notes == {
        "m": "motor: off at 100 % as sent; propeller off, locked when driving; on a pulse output: set the receiver's"
        " output, not the device",
        "e": "engine: rests at -80 % as sent, ignition off by kill; propeller off, locked when driving",
        "kill": "kills the ignition at -100 % as sent: locked when driving; on or off",
    }


SLOTS = '[rig]\nname = "Heron"\nperiod_ms = 14\nsensor_slots = true\n[supply]\nvoltage_v = 7.4\n'
MANY = rig(
    device("slider", 12, "travel_pct = 50", 'above_neutral = "out"'),
    device("left flap", 9, 'group = "flaps"'),
    device("right flap", 4, 'group = "flaps"', "reversed = true", 'mounting = "mirrored"', 'above_neutral = "down"'),
    device("aileron", 5, failsafe='"hold"'),
    device("rudder", 3, failsafe=None),
    device("spare"),
    device("beyond", 19),
    device("below", 0),
    device("horn", 18, failsafe='"silence"'),
    device("lamp", 10, 'kind = "off-bus"', "motor = false"),
    device("s2", 6, 'kind = "sensor"', failsafe=None),
    device("s1", None, 'kind = "sensor"', "slot = 31", failsafe="0"),
    device("m1", 2, "motor = true", "reversed = true", failsafe="-100"),
    device("e1", 1, 'motor = "engine"', "idle_pct = -80", failsafe="-80"),
    device("e2", 7, 'motor = "engine"', "idle_pct = -80", 'ignition_kill = "cut"', failsafe="-80"),
    device("cut", 8, "motor = false"),
    head=SLOTS,
)


def test_the_order_of_many() -> None:
    # By channel, a group at its lowest one; then what can turn a propeller, then sensors.
    assert [(step.order, step.label) for step in setup_steps(MANY)] == list(
        enumerate(
            [
                "spare", "0 below", "3 rudder", "4 right flap", "9 left flap", "5 aileron", "8 cut", "10 lamp",
                "12 slider", "18 horn", "19 beyond", "1 e1", "2 m1", "7 e2", "s1", "6 s2",
            ],
            1,
        )
    )  # fmt: skip


def test_the_whole_text_of_many() -> None:
    lines = list(sheet_lines(MANY, is_ascii=True))
    assert lines[1:7:5] == ["", ""]  # around the rules
    assert lines[7:-4] == BLOCKS.splitlines()
    assert lines[-3] == "Pulses at the plan's scale: 1500 us at 992 counts, 0.625 us a count."
    assert lines[-1].startswith("supply ")
    fine = list(sheet_lines(MANY))
    assert fine[-3] == "Pulses at the plan's scale: 1500 µs at 992 counts, 0.625 µs a count."
    assert "        low 1244  neutral 1500  high 1756 µs   failsafe 0 %   not reversed" in fine


BLOCKS = """\
[ ]  1  servo: spare, then into receiver
        failsafe 0 %   not reversed

[ ]  2  channel 0: below, then into receiver
        failsafe 0 %   not reversed

[ ]  3  channel 3: rudder, then into receiver
        low  988  neutral 1500  high 2012 us   failsafe not stated   not reversed

[ ]  4  channel 4: right flap, then into receiver
        low  988  neutral 1500  high 2012 us   failsafe 0 %   reversed
        mounted mirrored; goes down above neutral

[ ]  5  channel 9: left flap, then into receiver
        low  988  neutral 1500  high 2012 us   failsafe 0 %   not reversed

[ ]  6  channel 5: aileron, then into receiver
        low  988  neutral 1500  high 2012 us   failsafe hold   not reversed

[ ]  7  channel 8: cut, then into receiver
        low  988  neutral 1500  high 2012 us   failsafe 0 %   not reversed
        kills the ignition at a position not stated: locked when driving

[ ]  8  channel 10: lamp, then into receiver
        low  988  neutral 1500  high 2012 us   failsafe 0 %   not reversed
        on a pulse output: set the receiver's output, not the device

[ ]  9  channel 12: slider, then into receiver
        low 1244  neutral 1500  high 1756 us   failsafe 0 %   not reversed
        goes out above neutral

[ ] 10  channel 18: horn, then into receiver
        failsafe silence   not reversed
        on or off

[ ] 11  channel 19: beyond, then into receiver
        failsafe 0 %   not reversed
        on or off

[ ] 12  channel 1: e1, then into receiver
        low  988  neutral 1500  high 2012 us   failsafe -80 %   not reversed
        engine: rests at -80 % as sent, ignition off by what is not stated; propeller off, locked when driving

[ ] 13  channel 2: m1, then into receiver
        low  988  neutral 1500  high 2012 us   failsafe -100 %   reversed
        motor: off at a position not known; propeller off, locked when driving

[ ] 14  channel 7: e2, then into receiver
        low  988  neutral 1500  high 2012 us   failsafe -80 %   not reversed
        engine: rests at -80 % as sent, ignition off by cut; propeller off, locked when driving

[ ] 15  sensor: s1, then into receiver
        slot 31

[ ] 16  channel 6: s2, then into receiver
"""


def test_a_step_has_what_the_table_shows() -> None:
    steps = {step.name: step for step in setup_steps(MANY)}
    flap, sensor, below = steps["right flap"], steps["s1"], steps["below"]
    assert (flap.kind, flap.group, flap.plugged_into, flap.above_neutral) == ("servo", "flaps", "receiver", "down")
    assert (flap.reversed, flap.reversed_text) == (True, "reversed")
    assert (steps["rudder"].group, steps["rudder"].above_neutral) == ("", "")
    assert steps["rudder"].reversed_text == "not reversed"
    assert (sensor.reversed, sensor.reversed_text, sensor.failsafe, sensor.channel) == (None, "", "", None)
    assert (sensor.low_counts, sensor.neutral_us) == (None, None)
    assert (below.low_counts, below.high_us) == (None, None)
    slider = steps["slider"]
    assert (slider.low_counts, slider.neutral_counts, slider.high_counts) == (582, 992, 1402)
    assert (slider.low_us, slider.neutral_us, slider.high_us) == (1244.0625, 1500.0, 1755.9375)


def test_what_a_page_cannot_hold_is_written_out() -> None:
    page = sheet_html(MANY, made_on="a\x1bb\u202ec d")
    assert "Made on a\\x1bb\\u202ec d." in page
    assert "Made on" not in sheet_html(MANY)


def test_the_table_of_the_page() -> None:
    page = " ".join(sheet_html(MANY).split())
    rows = re.findall(r"<tr> <td class=\"box\">.*?</tr>", page)
    cells = [[re.sub(r"<br>|<[^>]+>", " ", cell).split() for cell in re.findall(r"<td.*?</td>", row)] for row in rows]
    text = [[" ".join(cell) for cell in row] for row in cells]
    assert text[0] == ["", "1", "–", "spare", "receiver", "–", "–", "–", "0 %", "no"]
    assert text[3] == [
        "", "4", "4", "right flap group flaps mounted mirrored; goes down above neutral", "receiver", "988 µs 173",
        "1500 µs 992", "2012 µs 1811", "0 %", "yes",
    ]  # fmt: skip
    assert text[14] == ["", "15", "–", "s1 slot 31", "receiver", "–", "–", "–", "–", "–"]
    assert len(text) == 16
