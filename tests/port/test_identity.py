"""The same adapter is found again, whatever its port is called now."""

from dataclasses import dataclass
from pathlib import Path

import pytest

from busbench.errors import PortMissing
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


def test_another_chip_with_the_same_serial_number_or_socket_is_another() -> None:
    identity = identify("/dev/ttyUSB0", ports=lambda: [ONE])
    for vid, pid in ((0x0404, 0x6001), (0x0403, 0x6002), (None, None)):
        others = [Entry("/dev/ttyUSB0", vid, pid, "HERON1", "1-1")]
        assert find_again(identity, ports=others.copy) is None


def test_without_serial_number_and_socket_any_of_its_kind_is_taken() -> None:
    identity = identify("/dev/ttyUSB0", ports=lambda: [Entry("/dev/ttyUSB0", 0x1A86, 0x7523)])
    assert identity == Identity("/dev/ttyUSB0", 0x1A86, 0x7523, "", "")
    assert (
        find_again(identity, ports=lambda: [ONE, Entry("/dev/ttyUSB3", 0x1A86, 0x7523, "X", "9-9")]) == "/dev/ttyUSB3"
    )


def test_a_port_on_the_board_has_no_numbers() -> None:
    assert identify("/dev/ttyS0", ports=lambda: [Entry("/dev/ttyS0")]) == Identity("/dev/ttyS0")
    assert find_again(Identity("COM3"), ports=lambda: [Entry("COM3")]) == "COM3"  # on Windows a port is no file
    assert find_again(Identity("COM3"), ports=lambda: [Entry("COM4")]) is None


def test_an_address_stays_what_it_is() -> None:
    assert identify("socket://127.0.0.1:7000", ports=lambda: [ONE]) == Identity("socket://127.0.0.1:7000")
    assert find_again(Identity("socket://127.0.0.1:7000"), ports=list) == "socket://127.0.0.1:7000"


def test_a_pattern_is_resolved_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("busbench.port.identity.resolve", lambda source: "/dev/ttyUSB0")
    assert identify("HWGREP://heron", ports=lambda: [OTHER, ONE]).serial_number == "HERON1"
    on_board = Identity("hwgrep://heron")
    assert find_again(on_board, ports=list) == "/dev/ttyUSB0"

    def missing(source: str) -> str:
        raise PortMissing(source, "no port matches", hint="")

    monkeypatch.setattr("busbench.port.identity.resolve", missing)
    assert find_again(on_board, ports=list) is None
