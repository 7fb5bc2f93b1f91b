"""Order of set-up, labels and the page."""

from __future__ import annotations

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
