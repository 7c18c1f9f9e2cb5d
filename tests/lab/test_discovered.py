"""Discovery in a lab: hosts find in another area what the charter lets them, and faults are seen."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest
from scapy.layers.dns import DNS

from netcharter.charter.read import read
from netcharter.lab import isolation
from netcharter.lab.apart import apart
from netcharter.lab.discovered import Discovered, _machines, _speaking, discovered, relay
from netcharter.lab.multicast import (
    ASKS,
    PTR,
    SRV,
    TELLS,
    A,
    Listener,
    Told,
    asking,
    labels,
    send,
    telling,
)
from netcharter.lab.multicast import read as heard
from netcharter.lab.serving import ended
from netcharter.lab.site import KIT, Site
from netcharter.lab.trouble import CommandFailed
from netcharter.lab.world import world
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import GATEWAY, Place
from netcharter.render.discovery import CONF, PROGRAM_FILE
from tests.kernel.namespace import needed
from tests.lab.rehearsing import kit
from tests.lab.test_named import stations

LONG = os.environ.get("NETCHARTER_LONG") == "1"
Files = Mapping[str, bytes]
CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk], local-prefix: "fd5c:7a11:b0e::/48"}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  hall: {device: eth1, hosts: 12}
  bunks: {device: eth2, hosts: 12}
  prints: {device: eth3, hosts: 4, strangers: refused}
  shed: {device: eth4, hosts: 4}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
  ink: {area: prints, hardware: 02:00:00:aa:00:02, address: lasting}
discovery:
  - {let: [hall, bunks], find: _ipp._tcp, in: prints}
  - {let: hall, find: [_ipp._tcp, _lights._udp], in: shed}
"""


@cache
def plan() -> Plan:
    charter = read(CHARTER, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


def told(files: Files, as_user: bool = False) -> Discovered:
    needed()
    where, there = world(plan()), stations(plan())

    def within() -> Discovered:
        with Site(plan(), files, there, where) as site:
            return discovered(plan(), files, site, there)

    return apart(within, as_user=as_user, limit=120.0)


@pytest.mark.kernel
@pytest.mark.parametrize("as_user", [False, True])
def test_what_may_be_found_is_and_nothing_else(as_user: bool) -> None:
    """Each sender is heard in both families: by a question's one record, by a service's four."""
    found = told(kit(plan()), as_user)
    assert found.ok, found.differences
    assert (found.areas, found.untried) == (4, ())
    questions = 3 + 1  # of hall in prints and, for two types, in shed; of bunks in prints
    services = 2 + 2  # of prints in hall and in bunks; of shed, of two types, in hall
    assert found.found == (questions + services * 4) * 2 * 2


FAULTS = (  # a line of the program, another one in its place, and what is seen then
    (
        "if device in find.by)",
        "if device)",
        "somebody asks for _n4v4._sub._ipp._tcp.local, and was not to",
    ),
    (
        "        if message.probes:",
        "        if True:",
        "asks for _n1v4._sub._ipp._tcp.local, and did not",
    ),
    (
        "if find.within == device]",
        "if device]",
        "tells _ipp._tcp.local (n2v4._ipp._tcp.local), and was not to",
    ),
    (
        "return end if end in self.types else None",
        "return end if len(end) == 3 else None",
        "_netcharter-else._tcp.local, and was not to",
    ),
    (
        "[one for one in near if self._offers(find, lower(one.name))]",
        "[*near]",
        "tells n3v4-none.local (",
    ),
    (
        '{4: "224.0.0.251", 6: "ff02::fb"}',
        '{4: "224.0.0.251"}',
        "did not ask for _ipp._tcp.local in IPv6",
    ),
)


@pytest.mark.kernel
@pytest.mark.parametrize(("line", "other", "seen"), FAULTS if LONG else FAULTS[2:5])
def test_a_relay_that_does_otherwise_is_seen(
    line: str, other: str, seen: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("netcharter.lab.discovered.PATIENCE", 2.0)
    files = kit(plan())
    program = files[PROGRAM_FILE].decode()
    assert program.count(line) == 1
    files[PROGRAM_FILE] = program.replace(line, other).encode()
    found = told(files)
    assert any(seen in each for each in found.differences), found.differences[:9]


@pytest.mark.kernel
def test_what_the_filter_refuses_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("netcharter.lab.discovered.PATIENCE", 2.0)
    files = kit(plan())
    rules = files["nftables.nft"]
    assert b"224.0.0.251 . udp . 5353" in rules
    files["nftables.nft"] = rules.replace(b"224.0.0.251 . udp . 5353", b"224.0.0.251 . udp . 5354")
    assert any("in IPv4" in each for each in told(files).differences)


AVAHI = """
[server]
host-name=inkjet
allow-interfaces={device}
enable-dbus=no
[wide-area]
enable-wide-area=no
[publish]
publish-hinfo=no
publish-workstation=yes
"""
# The program looks for its user and keeps its number below /run; both are seen by it alone.
BEGIN = """
mkdir -p /run/avahi-daemon
printf 'root:x:0:0::/:/bin/sh\\navahi:x:0:0::/:/bin/false\\n' >/run/passwd
printf 'root:x:0:\\navahi:x:0:\\n' >/run/group
mount --bind /run/passwd /etc/passwd && mount --bind /run/group /etc/group
exec "$0" --no-drop-root --no-rlimits --no-proc-title --no-chroot -f "$1"
"""


@contextmanager
def avahi(place: Place) -> Iterator[None]:
    """Debian's avahi-daemon, as it is unpacked by tools/setup, makes a machine findable."""
    unpacked = Path(__file__).parents[2] / ".venv" / "avahi"
    program = shutil.which("avahi-daemon") or str(unpacked / "usr/sbin/avahi-daemon")
    libraries = ":".join(map(str, sorted(unpacked.glob("usr/lib/*-linux-gnu*"))))
    conf = f"{KIT}/avahi.conf"
    Path(conf).write_text(AVAHI.format(device=place.device))
    command = ["unshare", "--mount", "sh", "-c", BEGIN, program, conf]
    with isolation.inside(place.namespace):
        running = subprocess.Popen(
            command, env={**os.environ, "LD_LIBRARY_PATH": libraries}, stderr=subprocess.DEVNULL
        )
    try:
        yield
    finally:
        ended(running, 5.0)


@pytest.mark.kernel
def test_a_host_by_somebody_elses_program_is_found() -> None:
    """avahi-daemon 0.8 answers in prints; a machine in hall asks for what it offers, and for another
    type of which it knows nothing."""
    needed()
    if not (shutil.which("avahi-daemon") or (Path(__file__).parents[2] / ".venv/avahi").exists()):
        pytest.skip("NOBODY ELSE'S HOST WAS FOUND: no avahi-daemon is here (tools/setup test)")
    charter = read(
        CHARTER.replace("_ipp._tcp, in: prints", "_workstation._tcp, in: prints"), "h"
    ).charter
    assert charter is not None
    one = make_plan(charter)
    where, there = world(one), stations(one)
    files = kit(one)

    def within() -> list[Told]:
        with Site(one, files, there, where) as site:
            machines = {m.area.name: m for m in _machines(one, site, there)}
            _speaking(one, site, machines.values())
            hall, prints = machines["hall"], machines["prints"]
            ear = Listener({"hall": hall.place})
            found: list[Told] = []
            with relay(site.places[GATEWAY].namespace, files), avahi(prints.place):
                end = time.monotonic() + 20
                while not any(one.kind == A for one in found) and time.monotonic() < end:
                    send(hall.place, hall.sources[4], asking([labels("_workstation._tcp.local")]))
                    found += [told for _, _, told in ear.hear(1.1)]
            ear.close()
            return found

    told = {(one.kind, one.data) for one in apart(within, limit=120.0) if one.what == TELLS}
    ink = next(device for device in one.devices if device.name == "ink")
    assert (A, str(ink.addresses4[0])) in told and (SRV, "inkjet.local") in told
    assert any(kind == PTR and "inkjet [02:00:00:aa:00:02]" in data for kind, data in told)


@pytest.mark.kernel
def test_a_relay_that_does_not_begin_is_no_difference() -> None:
    with pytest.raises(CommandFailed, match="JSON"):
        told({**kit(plan()), CONF: b"# Netcharter: nothing\nnonsense\n"})


def test_messages_of_the_lab_are_what_somebody_else_reads() -> None:
    """scapy reads them, and what scapy writes is read."""
    service, host = labels("Ink._ipp._tcp.local"), "ink.local"
    records = (
        Told(TELLS, labels("_ipp._tcp.local"), PTR, ".".join(service)),
        Told(TELLS, service, SRV, host),
        Told(TELLS, labels(host), A, "192.0.2.1"),
    )
    read_by_scapy = DNS(telling(records))
    assert [one.type for one in read_by_scapy.an] == [PTR, SRV, A]
    assert read_by_scapy.an[1].target == b"ink.local." and read_by_scapy.an[1].port == 9
    assert read_by_scapy.an[2].rdata == "192.0.2.1" and read_by_scapy.an[2].cacheflush == 1
    assert DNS(asking([service])).qd[0].qname == b"Ink._ipp._tcp.local."
    assert tuple(heard(bytes(read_by_scapy))) == records
    assert list(heard(asking([service]))) == [Told(ASKS, service, PTR)]
