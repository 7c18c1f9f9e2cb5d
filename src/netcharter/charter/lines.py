"""What a line's packets may be like: how large, and dialled or not."""

from __future__ import annotations

from netcharter.charter.checks import entries
from netcharter.charter.shapes import SAID, Fields, Path, Walk
from netcharter.charter.values import interface_of

ETHERNET = 1500  # bytes a frame carries (RFC 894, RFC 2464 section 2)
PPPOE = 1492  # six of them for PPPoE and two for PPP (RFC 2516 section 7)


def dialled(number: int) -> str:
    """The device of a PPPoE session: the lines are counted from 1, in the charter's order."""
    return f"ppp{number}"


def check_dialling(walk: Walk, doc: Fields) -> None:
    """`mtu` and `pppoe` of every line, once the rest of it is known to be right."""
    names = list(doc["lines"]) if isinstance(doc.get("lines"), dict) else []
    for name, line in entries(doc, "lines"):
        path: Path = ("lines", name)
        if "pppoe" in line:
            _dialled(walk, doc, path, line, dialled(names.index(name) + 1))
        _size(walk, doc, path, line)


def _dialled(walk: Walk, doc: Fields, path: Path, line: Fields, device: str) -> None:
    if line.get("address"):
        walk.tell("pppoe-address", walk.where((*path, "address")),
                  "a PPPoE session brings the address with it",
                  "leave `address` out; the provider gives the same one each time if the contract"
                  " says so")  # fmt: skip
    for section in ("lines", "areas"):
        for other, fields in entries(doc, section):
            if "device" in fields and device in (
                fields["device"],
                interface_of(fields["device"], fields.get("vlan")),
            ):
                walk.tell("interface-twice", walk.where((section, other, "device")),
                          f"`{device}` is what the PPPoE session of `{path[-1]}` is called",
                          "give the interface another name on the gateway",
                          related=((walk.where((*path, "pppoe")), "the session"),))  # fmt: skip


def _size(walk: Walk, doc: Fields, path: Path, line: Fields) -> None:
    mtu = line.get("mtu")
    if mtu is None:
        return
    place = walk.where((*path, "mtu"))
    if "pppoe" in line and mtu > PPPOE:
        walk.tell("mtu-too-large", place,
                  f"PPPoE takes 8 of the {ETHERNET} bytes of a frame, so {mtu} do not fit",
                  f"write {PPPOE} or less, or leave `mtu` out")  # fmt: skip
    elif "vlan" in line and mtu > ETHERNET:
        walk.tell("mtu-too-large", place,
                  f"a VLAN is no wider than the device it is on, which takes {ETHERNET} bytes",
                  f"write {ETHERNET} or less, or give the line a device of its own")  # fmt: skip
    elif not {"vlan", "pppoe"} & line[SAID] and mtu < ETHERNET and "device" in line:
        _shared(walk, doc, path, line)


def _shared(walk: Walk, doc: Fields, path: Path, line: Fields) -> None:
    """A device that is made narrow narrows the VLANs on it (Linux, vlan_device_event)."""
    for section in ("lines", "areas"):
        for other, fields in entries(doc, section):
            if "vlan" in fields and fields.get("device") == line["device"]:
                walk.tell("mtu-shared", walk.where((*path, "mtu")),
                          f"`{line['device']}` carries `{other}`, too, which would be narrowed with it",
                          "give one of them a device of its own, or leave `mtu` out",
                          related=((walk.where((section, other)), "on the same device"),))  # fmt: skip
                return
