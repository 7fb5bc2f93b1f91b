"""The tree of hubs, and where the connections form none."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from busbench.errors import RigError
from busbench.rig.model import RECEIVER, RESERVED_NAMES, Device, Hub, Rig


@dataclass(frozen=True, slots=True)
class Loose:
    """Hubs without a path to the receiver."""

    rings: tuple[tuple[str, ...], ...]  # hubs connected in a ring, each ring once
    hanging: tuple[tuple[str, str], ...]  # names of hubs or devices, with their missing parent

    def __bool__(self) -> bool:
        return bool(self.rings or self.hanging)


def find_loose(rig: Rig) -> Loose:
    """Find rings and missing parents among hubs, feeds and devices; false if there are none."""
    parents = {hub.name: hub.parent for hub in rig.hubs}
    known = {RECEIVER, *parents}
    ends = [(hub.name, hub.parent) for hub in rig.hubs]
    ends += [(device.name, device.parent) for device in rig.devices]
    ends += [(f"feed to {feed.to}", feed.to) for feed in rig.feeds]
    rings: list[tuple[str, ...]] = []
    followed: set[str] = set()
    for start in parents:
        path: dict[str, int] = {}
        name = start
        while name in parents and name not in followed and name not in path:
            path[name] = len(path)
            name = parents[name]
        if name in path:
            rings.append(tuple(path)[path[name] :])
        followed.update(path)
    return Loose(tuple(rings), tuple((name, parent) for name, parent in ends if parent not in known))


def ring_text(ring: tuple[str, ...]) -> str:
    """The hubs of a ring in order, closed by the first; for a long ring only the first and last."""
    most = 20
    names = [*ring, ring[0]] if len(ring) <= most else [*ring[:most], "…", ring[-1], ring[0]]
    return " → ".join(names)


def require_tree(rig: Rig, *, path: str = "rig") -> None:
    """Refuse a plan whose leads form no tree (raises RigError: a ring, a missing parent or one name for two)."""
    loose = find_loose(rig)
    hint = "`busbench rig check` says what to do"
    if loose.rings:
        raise RigError(path, "hub", f"hubs form a ring: {ring_text(loose.rings[0])}", hint=hint)
    if loose.hanging:
        name, parent = loose.hanging[0]
        raise RigError(path, "", f'"{name}" is connected to "{parent}", which does not exist', hint=hint)
    names = [entry.name for entry in rig.parts] + list(RESERVED_NAMES)
    counts = Counter(names)
    double = next((name for name in names if counts[name] > 1), None)
    if double is not None:
        raise RigError(path, "", f'the name "{double}" is used twice', hint=hint)


Children = dict[str, tuple[list[Hub], list[Device]]]


def children(rig: Rig) -> Children:
    """Hubs and devices plugged into each hub and the receiver, in the order of the file."""
    below: Children = {name: ([], []) for name in (RECEIVER, *(hub.name for hub in rig.hubs))}
    for hub in rig.hubs:
        below.setdefault(hub.parent, ([], []))[0].append(hub)
    for device in rig.devices:
        below.setdefault(device.parent, ([], []))[1].append(device)
    return below


def hubs_downwards(rig: Rig) -> Iterator[Hub]:
    """All hubs of a valid tree, each after its parent."""
    below = children(rig)
    waiting = [RECEIVER]
    while waiting:
        for hub in below[waiting.pop()][0]:
            waiting.append(hub.name)
            yield hub


def path_to(rig: Rig, name: str) -> tuple[Hub, ...]:
    """Hubs from the receiver down to a hub (included) or device."""
    hubs = {hub.name: hub for hub in rig.hubs}
    at = name if name in hubs else next((d.parent for d in rig.devices if d.name == name), RECEIVER)
    way: list[Hub] = []
    while at in hubs:
        way.append(hubs[at])
        at = hubs[at].parent
    return tuple(reversed(way))
