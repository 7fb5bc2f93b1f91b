"""What hangs on what: the tree of hubs, and where it is none."""

from __future__ import annotations

from dataclasses import dataclass

from busbench.errors import RigError
from busbench.rig.model import RECEIVER, RESERVED_NAMES, Device, Hub, Rig


@dataclass(frozen=True, slots=True)
class Loose:
    """Hubs that lead to no receiver.

    Args:
        rings: hubs that hang on one another in a ring, each ring once.
        hanging: names (of hub or device) with the parent that does not exist.
    """

    rings: tuple[tuple[str, ...], ...]
    hanging: tuple[tuple[str, str], ...]

    def __bool__(self) -> bool:
        return bool(self.rings or self.hanging)


def find_loose(rig: Rig) -> Loose:
    """Find rings and missing parents among hubs, feeds and devices.

    Args:
        rig: the plan.

    Returns:
        What is amiss; false where nothing is.
    """
    parents = {hub.name: hub.parent for hub in rig.hubs}
    known = {RECEIVER, *parents}
    ends = [(hub.name, hub.parent) for hub in rig.hubs]
    ends += [(device.name, device.parent) for device in rig.devices]
    ends += [(f"feed to {feed.to}", feed.to) for feed in rig.feeds]
    rings: dict[frozenset[str], tuple[str, ...]] = {}
    for start in parents:
        seen: list[str] = []
        name = start
        while name in parents and name not in seen:
            seen.append(name)
            name = parents[name]
        if name in seen:
            ring = tuple(seen[seen.index(name) :])
            rings.setdefault(frozenset(ring), ring)
    return Loose(tuple(rings.values()), tuple((name, parent) for name, parent in ends if parent not in known))


def require_tree(rig: Rig, *, path: str = "rig") -> None:
    """Refuse a plan whose leads form no tree.

    Raises:
        RigError: a ring, a missing parent or one name for two.
    """
    loose = find_loose(rig)
    hint = "`busbench rig check` says what to do"
    if loose.rings:
        raise RigError(
            path, "hub", f"hubs hang in a ring: {' → '.join(loose.rings[0] + loose.rings[0][:1])}", hint=hint
        )
    if loose.hanging:
        name, parent = loose.hanging[0]
        raise RigError(path, "", f'"{name}" hangs on "{parent}", which does not exist', hint=hint)
    names = [entry.name for entry in rig.parts] + list(RESERVED_NAMES)
    double = next((name for name in names if names.count(name) > 1), None)
    if double is not None:
        raise RigError(path, "", f'the name "{double}" stands for two things', hint=hint)


def children(rig: Rig, name: str) -> tuple[tuple[Hub, ...], tuple[Device, ...]]:
    """Hubs and devices plugged into a hub or the receiver, in the order of the file."""
    return (
        tuple(hub for hub in rig.hubs if hub.parent == name),
        tuple(device for device in rig.devices if device.parent == name),
    )


def way_to(rig: Rig, name: str) -> tuple[Hub, ...]:
    """Hubs from the receiver down to a hub or device, itself included where it is a hub.

    Args:
        rig: a plan whose leads form a tree.
        name: of the hub or device.
    """
    hubs = {hub.name: hub for hub in rig.hubs}
    at = name if name in hubs else next((d.parent for d in rig.devices if d.name == name), RECEIVER)
    way: list[Hub] = []
    while at in hubs:
        way.append(hubs[at])
        at = hubs[at].parent
    return tuple(reversed(way))
