"""What is known of the chips, and what follows for the person."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from busbench.port.adapters import Adapter, Exactness, Marks, chip_of, list_adapters


@dataclass
class Entry:
    device: str
    vid: int | None = None
    pid: int | None = None
    product: str | None = None
    description: str = "n/a"
    serial_number: str | None = None


@pytest.mark.parametrize(
    ("vid", "pid", "product", "name", "rate", "marks"),
    [
        (0x0403, 0x6001, "", "FTDI", Exactness.EXACT, Marks.PACKET),
        (0x0403, 0x6015, "", "FTDI", Exactness.EXACT, Marks.PACKET),
        (0x10C4, 0xEA60, "CP2102 USB to UART Bridge", "CP2101-CP2104, CP2102N", Exactness.DOUBTFUL, Marks.BYTE),
        (0x10C4, 0xEA60, "CP2102N USB to UART Bridge", "CP2102N", Exactness.EXACT, Marks.BYTE),
        (0x10C4, 0xEA60, "CP2104 USB to UART Bridge", "CP2104", Exactness.EXACT, Marks.BYTE),
        (0x10C4, 0xEA70, "CP2104", "CP2105", Exactness.DOUBTFUL, Marks.BYTE),
        (0x10C4, 0xEA71, "", "CP2108", Exactness.DOUBTFUL, Marks.BYTE),
        (0x10C4, 0xEA72, "", "unknown USB", Exactness.UNKNOWN, Marks.UNKNOWN),
        (0x1A86, 0x7523, "", "CH340", Exactness.EXACT, Marks.NONE),
        (0x1A86, 0x5523, "", "CH341", Exactness.EXACT, Marks.NONE),
        (0x067B, 0x2303, "", "PL2303", Exactness.EXACT, Marks.PACKET),
        (0x1234, 0x5678, "", "unknown USB", Exactness.UNKNOWN, Marks.UNKNOWN),
        (None, None, "", "on the board", Exactness.UNKNOWN, Marks.BYTE),
    ],
)
def test_chip_families(
    vid: int | None, pid: int | None, product: str, name: str, rate: Exactness, marks: Marks
) -> None:
    chip = chip_of(vid, pid, product=product)
    assert (chip.name, chip.rate, chip.marks) == (name, rate, marks)


def test_a_slow_latency_timer_is_told_with_its_place(tmp_path: Path) -> None:
    for name, latency in (("ttyUSB0", "16\n"), ("ttyUSB1", "1\n")):
        (tmp_path / name).mkdir()
        (tmp_path / name / "latency_timer").write_text(latency)
    entries = [Entry(f"/dev/ttyUSB{i}", 0x0403, 0x6001, serial_number="HERON") for i in (2, 1, 0)]
    slow, fast, unknown = list_adapters(ports=lambda: entries, sysfs=tmp_path)
    assert [adapter.device for adapter in (slow, fast, unknown)] == ["/dev/ttyUSB0", "/dev/ttyUSB1", "/dev/ttyUSB2"]
    assert [adapter.latency_ms for adapter in (slow, fast, unknown)] == [16, 1, None]
    assert slow.advice == (
        "its latency timer is at 16 ms, so single frames cannot be distinguished in time:"
        f" busbench asks for 1 ms when it opens the port, or write 1 to {tmp_path}/ttyUSB0/latency_timer",
    )
    assert fast.advice == ()
    assert unknown.advice == ("has a latency timer that ships at 16 ms: set 1 ms",)


def test_an_old_chip_is_warned_of() -> None:
    (adapter,) = list_adapters(ports=lambda: [Entry("/dev/ttyHERON", 0x10C4, 0xEA60, "CP2102")])
    assert adapter.advice == ("several chips of this family take 100000 as 115200 silently: `busbench probe` shows it",)
    assert adapter.description == ""


def adapter_of(entry: Entry, sysfs: Path) -> Adapter:
    (found,) = list_adapters(ports=lambda: [entry], sysfs=sysfs)
    return found


@pytest.mark.parametrize(
    ("device", "vid", "name"),
    [
        ("/dev/ttyACM0", 0x1234, "CDC-ACM"),
        ("/dev/cu.usbmodem1", 0x1234, "CDC-ACM"),
        ("/dev/ttyUSB0", 0x1234, "unknown USB"),
        ("/dev/ttyACM0", 0x0403, "FTDI"),
        ("/dev/ttyACM0", None, "on the board"),
    ],
)
def test_an_unknown_chip_is_named_by_its_device(tmp_path: Path, device: str, vid: int | None, name: str) -> None:
    assert adapter_of(Entry(device, vid, 0x6001), tmp_path).chip.name == name


def test_a_chip_names_itself_in_its_product_or_else_in_its_description(tmp_path: Path) -> None:
    for product, description, name in (
        ("CP2102N bridge", "n/a", "CP2102N"),
        (None, "cp2104 bridge", "CP2104"),
        ("CP2104", "CP2102N", "CP2104"),
        (None, "n/a", "CP2101-CP2104, CP2102N"),
    ):
        found = adapter_of(Entry("/dev/ttyHERON", 0x10C4, 0xEA60, product, description), tmp_path)
        assert found.chip.name == name
        assert found.description == ("" if description == "n/a" else description)


@pytest.mark.parametrize(("written", "latency_ms", "advice"), [("2\n", 2, 1), ("1\n", 1, 0), ("x\n", None, 1)])
def test_more_than_a_millisecond_is_advised_of(
    tmp_path: Path, written: str, latency_ms: int | None, advice: int
) -> None:
    (tmp_path / "ttyUSB0").mkdir()
    (tmp_path / "ttyUSB0" / "latency_timer").write_text(written)
    found = adapter_of(Entry("/dev/ttyUSB0", 0x0403, 0x6001, serial_number="HERON"), tmp_path)
    assert (found.latency_ms, len(found.advice)) == (latency_ms, advice)


def test_a_port_without_rights_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    node = tmp_path / "tty"
    node.touch()
    words = "you have no right to open it: opening it says which group to join"
    assert words not in adapter_of(Entry(str(node), 0x067B), tmp_path).advice
    monkeypatch.setattr("os.access", lambda *_: False)
    assert adapter_of(Entry(str(node), 0x067B), tmp_path).advice == (words,)
    assert adapter_of(Entry(str(tmp_path / "gone"), 0x067B), tmp_path).advice == ()
