"""A whole site of network namespaces: the gateway with its kit, lines, areas, stations.

To be used within `apart`: what a `Site` makes ends with the namespaces it is made in.
"""

from __future__ import annotations

import fcntl
import json
import os
import socket
import struct
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from typing import Self

from netcharter.lab import checksums, isolation, loading, tools
from netcharter.lab.apart import NAMESPACES
from netcharter.lab.netlink import Netfilter
from netcharter.lab.settings import GATEWAY as GATEWAY_SETTINGS
from netcharter.lab.settings import LINE, STATION, SWITCHES, put
from netcharter.lab.topology import DEVICE, GATEWAY_SPACE, Batch, automatic, topology
from netcharter.lab.topology import SWITCHES as SWITCH_SPACE
from netcharter.lab.trouble import CommandFailed
from netcharter.plan import labels
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import GATEWAY, Place, Station, World
from netcharter.render.kit import MANIFEST

KIT = "/run/kit"  # where the kit's files lie while they are loaded
TABLE = "netcharter"
NOTICED = 5.0  # seconds within which a machine must notice that a cable is dead
_SIOCGIFFLAGS, _RUNNING = 0x8913, 0x40  # linux/sockios.h, linux/if.h
IN_PIECES = "the ruleset was loaded piece by piece, since only root may load so much at once"
TAGGED = " type vlan id "  # lines of links.batch for which the lab has cables of its own


class Site:
    """Brought up on entering, with every line up and every automatic line in its addresses.

    places: where each station is, and the gateway under GATEWAY, whose hardware address is that of
    each of its devices. A line's station has the gateway's hardware address too (topology.py).
    differs: where the lab is not like the site, as sentences.

    Entering raises LabImpossible where programs are missing, CommandFailed where the kit does not
    load, or one of its commands complains.
    """

    def __init__(
        self, plan: Plan, files: Mapping[str, bytes], stations: Sequence[Station], world: World
    ) -> None:
        self._plan = plan
        self._files = files
        self._world = world
        self._topology = topology(plan, stations, world)
        self._up = frozenset(line.name for line in plan.lines)
        self._open = ExitStack()
        self.places: Mapping[str, Place] = dict(self._placed(stations))
        self.differs: tuple[str, ...] = self._topology.differs

    def _placed(self, stations: Sequence[Station]) -> Iterator[tuple[str, Place]]:
        yield GATEWAY, Place(GATEWAY, _path(GATEWAY_SPACE), "", self._topology.hardware)
        for station in stations:
            seat = self._topology.seats[station.name]
            place = Place(station.name, _path(seat.space), DEVICE, seat.hardware)
            yield station.name, place

    def __enter__(self) -> Self:
        tools.demand(tools.PACKAGES)
        self._namespaces()
        self._cables()
        with isolation.inside(_path(GATEWAY_SPACE)):
            self._kit()
            tools.run(("ip", "-batch", "-"), self._topology.after)
            self._netfilter = self._open.enter_context(Netfilter())
        for line in self._plan.lines:
            if line.automatic:
                self.automatic(line.name)
        if not isolation.really_root():
            self.differs += (IN_PIECES,)
        return self

    def __exit__(self, *fault: object) -> None:
        self._open.close()

    # --- bringing it up --------------------------------------------------------------------------

    def _namespaces(self) -> None:
        with isolation.coming_back():
            for space, settings in (
                (SWITCH_SPACE, SWITCHES),
                (GATEWAY_SPACE, GATEWAY_SETTINGS),
                *(
                    (seat.space, LINE if seat.hardware == self._topology.hardware else STATION)
                    for seat in self._topology.seats.values()
                ),
            ):
                isolation.new_network(_path(space))
                put(settings)

    def _cables(self) -> None:
        with isolation.inside(_path(SWITCH_SPACE)):
            tools.run(("ip", "-batch", "-"), self._topology.switches)
            if self._topology.tables:
                tools.run(("bridge", "-batch", "-"), self._topology.tables)
        for seat in self._topology.seats.values():
            with isolation.inside(_path(seat.space)):
                checksums.complete(DEVICE)
                _batch(seat.batch)
        with isolation.inside(_path(GATEWAY_SPACE)):
            for device in self._topology.devices:
                checksums.complete(device)
            _batch(Batch(self._topology.before))

    def _kit(self) -> None:
        """By the kit's own files, in its own order, with its own commands."""
        os.makedirs(KIT, exist_ok=True)
        manifest = json.loads(self._files[MANIFEST])
        for step in manifest["order"]:
            name, command = step["file"], step["load"]
            text = self._files[name].decode("ascii")
            if name == "nftables.nft":
                loading.load(text)
                continue
            kept = [line for line in text.splitlines(keepends=True) if TAGGED not in line]
            with open(os.path.join(KIT, name), "w", encoding="ascii") as file:
                file.writelines(kept)
            tools.run(command, folder=KIT)

    def automatic(self, line: str) -> None:
        """What the steward does once an automatic line has got its addresses."""
        (found,) = [each for each in self._plan.lines if each.name == line]
        with isolation.inside(_path(GATEWAY_SPACE)):
            tools.run(("ip", "-batch", "-"), automatic(self._plan, found, self._world))
            name = labels.line_set(line)
            own = self._world.lines4.get(line)
            if own is not None and f" set {name} {{" in self._files["nftables.nft"].decode("ascii"):
                tools.run(
                    ("nft", "-f", "-"), f"add element inet {TABLE} {name} {{ {own[0].ip} }}\n"
                )

    # --- what can be done with it ----------------------------------------------------------------

    def lines(self, up: frozenset[str]) -> None:
        """Let exactly these lines be up: the gateway's cable of any other has no carrier.

        Nothing else changes at either end. Returns when the gateway has noticed.
        """
        changed = sorted(up ^ self._up)
        if not changed:
            return
        state = {name: "up" if name in up else "down" for name in changed}
        ports = self._topology.ports
        text = "".join(f"link set dev {ports[name]} {state[name]}\n" for name in changed)
        with isolation.inside(_path(SWITCH_SPACE)):
            tools.run(("ip", "-batch", "-"), text)
        self._up = up
        devices = {line.device: line.name in up for line in self._plan.lines}
        with isolation.inside(_path(GATEWAY_SPACE)):
            _wait_for(devices)

    def nft(self, commands: str) -> None:
        """Have nft do something at the gateway."""
        with isolation.inside(_path(GATEWAY_SPACE)):
            tools.run(("nft", "-f", "-"), commands)

    def listing(self) -> str:
        """What the gateway's kernel has loaded: `nft -j list ruleset`."""
        with isolation.inside(_path(GATEWAY_SPACE)):
            return tools.run(("nft", "-j", "list", "ruleset"))

    def counters(self) -> dict[str, int]:
        """Packets by counter of the kit's table."""
        return self._netfilter.counters(TABLE)

    def forget(self) -> None:
        """The gateway remembers no conversation any more."""
        self._netfilter.forget()


def _path(space: str) -> str:
    return f"{NAMESPACES}/{space}"


def _batch(batch: Batch) -> None:
    tools.run(("ip", "-batch", "-"), batch.text)
    if batch.text6:
        tools.run(("ip", "-6", "-batch", "-"), batch.text6)


def _wait_for(devices: Mapping[str, bool]) -> None:
    """Until the kernel has noticed which devices have a carrier, and routes around those without.

    It notes both in one go under one lock, which the no-change at the end takes too.
    """
    end = time.monotonic() + NOTICED
    while any(_running(device) is not up for device, up in devices.items()):
        if time.monotonic() > end:
            raise CommandFailed("ip link set", "the gateway does not notice that a line changed")
        time.sleep(0.001)
    tools.run(("ip", "-batch", "-"), "".join(f"link set dev {name} up\n" for name in devices))


def _running(device: str) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        request = struct.pack("16s24x", device.encode("ascii"))
        found = fcntl.ioctl(one, _SIOCGIFFLAGS, request)
    return bool(struct.unpack_from("16xH", found)[0] & _RUNNING)
