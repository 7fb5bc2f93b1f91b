"""The same adapter is found again, whatever its port is called now."""

from dataclasses import dataclass
from pathlib import Path

from busbench.port.identity import Identity, find_again, identify


@dataclass
class Entry:
    device: str
    vid: int | None = None
    pid: int | None = None
    serial_number: str | None = None
    location: str | None = None


ONE = Entry("/dev/ttyUSB0", 0x0403, 0x6001, "HERON1", "1-1")
OTHER = Entry("/dev/ttyUSB1", 0x0403, 0x6001, "HERON2", "1-2")


def test_by_serial_number_under_another_name_and_in_another_socket() -> None:
    identity = identify("/dev/ttyUSB0", ports=lambda: [OTHER, ONE])
    assert identity == Identity("/dev/ttyUSB0", 0x0403, 0x6001, "HERON1", "1-1")
    moved = Entry("/dev/ttyUSB5", 0x0403, 0x6001, "HERON1", "2-4")
    assert find_again(identity, ports=lambda: [OTHER, moved]) == "/dev/ttyUSB5"
    # Another adapter that took the old name is not ours.
    assert find_again(identity, ports=lambda: [Entry("/dev/ttyUSB0", 0x0403, 0x6001, "HERON2", "1-1")]) is None


def test_without_a_serial_number_by_its_usb_socket() -> None:
    plain = Entry("/dev/ttyUSB0", 0x1A86, 0x7523, None, "1-1")
    identity = identify("/dev/ttyUSB0", ports=lambda: [plain])
    elsewhere = Entry("/dev/ttyUSB0", 0x1A86, 0x7523, None, "1-2")
    back = Entry("/dev/ttyUSB1", 0x1A86, 0x7523, None, "1-1")
    assert find_again(identity, ports=lambda: [elsewhere, back]) == "/dev/ttyUSB1"
    assert find_again(identity, ports=lambda: [elsewhere]) is None


def test_a_link_to_the_port_names_the_adapter(tmp_path: Path) -> None:
    node, link = tmp_path / "ttyUSB0", tmp_path / "by-id"
    node.touch()
    link.symlink_to(node)
    assert identify(str(link), ports=lambda: [Entry(str(node), 1, 2, "S", "")]).serial_number == "S"


def test_what_is_not_on_usb_is_known_by_its_path(tmp_path: Path) -> None:
    path = tmp_path / "pty"
    identity = identify(str(path), ports=list)
    assert find_again(identity, ports=list) is None
    path.touch()
    assert find_again(identity, ports=list) == str(path)
    assert find_again(Identity("COM7"), ports=lambda: [Entry("COM7")]) == "COM7"
    assert find_again(Identity("socket://127.0.0.1:7"), ports=list) == "socket://127.0.0.1:7"
