"""What dnsmasq is told of router advertisements: by its words, and by dnsmasq's own checker.

What hosts make of it is seen in the lab (tests/lab/test_advertised.py).
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path
from random import Random

import pytest

from netcharter.charter.read import read
from netcharter.lab.tools import path_of
from netcharter.plan import make_plan
from netcharter.plan.shapes import Plan
from netcharter.render import Kit, render
from netcharter.render.advertising import AT, CONF, UNIT, UNIT_FILE, advertising
from netcharter.render.placing import OURS
from tests.oracle.random_charters import random_charter

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines:
  copper: {device: eth0, address: [203.0.113.10/29, "2001:db8:f::2/64"], next-hop: [203.0.113.9, "2001:db8:f::1"], prefix: "2001:db8:a::/48"}
  mast: {device: eth1, address: automatic, role: standby}
areas:
  hall: {device: eth3, hosts: 5}
  yard: {device: eth4, vlan: 20, hosts: 5}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""
LOCAL_ONLY = re.sub(r"copper: .*", "copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}", CHARTER)  # fmt: skip
RANDOM = 24


def plan_of(text: str) -> Plan:
    charter = read(text, "hut.yaml").charter
    assert charter is not None
    return make_plan(charter)


@pytest.fixture(scope="module")
def kit() -> Kit:
    return render(plan_of(CHARTER))


def settings(kit: Kit) -> list[str]:
    return [x for x in kit.files[CONF].decode("ascii").splitlines() if not x.startswith("#")]


def test_every_area_is_advertised_and_no_line_is(kit: Kit) -> None:
    """RFC 4861 section 6.2.1: AdvSendAdvertisements is set for these devices only."""
    found = settings(kit)
    assert [x for x in found if x.startswith("interface=")] == [
        "interface=eth3",
        "interface=eth4.20",
    ]
    for device in ("eth3", "eth4.20"):
        (mode,) = [x for x in found if x.startswith("dhcp-range=::") and f":{device}," in x]
        assert mode.endswith(f"constructor:{device},64,2700")
    assert not re.search(r"eth[01]\b", "\n".join(found))


def test_it_answers_no_names_and_reads_none_of_the_machine(kit: Kit) -> None:
    assert {"port=0", "no-resolv", "no-hosts", "enable-ra"} <= set(settings(kit))


def test_the_gateway_is_a_way_out_only_where_a_line_carries_ipv6_for_hosts(kit: Kit) -> None:
    """RFC 7084 G-4: without a way out the router lifetime is zero. An automatic line without a
    prefix gives hosts no address that could use it."""
    assert "ra-param=eth3,mtu:off,0,1800" in settings(kit)
    assert "ra-param=eth3,mtu:off,0,0" in settings(render(plan_of(LOCAL_ONLY)))


def test_a_prefix_without_a_next_hop_leads_nowhere() -> None:
    text = CHARTER.replace(', "2001:db8:f::1"', "")
    assert "ra-param=eth3,mtu:off,0,0" in settings(render(plan_of(text)))


def test_prefixes_and_the_router_are_told_for_no_longer_than_rfc9096_says(kit: Kit) -> None:
    """RFC 9096 section 4: preferred 2700 s, valid 5400 s at most. dnsmasq has one time for both."""
    (time,) = {int(x.rpartition(",")[2]) for x in settings(kit) if x.startswith("dhcp-range=::")}
    (router,) = {int(x.rpartition(",")[2]) for x in settings(kit) if x.startswith("ra-param=")}
    assert time <= 2700 and router <= time


def test_the_manifest_says_where_they_lie_and_what_runs(kit: Kit) -> None:
    told = {one["at"]: (one["file"], one["mode"]) for one in kit.manifest["placed"]}
    assert told[AT] == (CONF, "0644")
    assert told[f"/etc/systemd/system/{UNIT}"] == (UNIT_FILE, "0644")
    assert {"unit": UNIT, "files": [CONF, UNIT_FILE]} in kit.manifest["services"]
    for name in (CONF, UNIT_FILE):
        assert kit.files[name].decode("ascii").startswith(OURS)


def test_what_is_advertised_does_not_change_with_a_prefix() -> None:
    """So a provider that renumbers a site ends no advertising: the old prefix is deprecated by the
    very process that told it."""
    other = CHARTER.replace("2001:db8:a::/48", "2001:db8:b::/48")
    assert render(plan_of(other)).files[CONF] == render(plan_of(CHARTER)).files[CONF]


@pytest.mark.kernel
def test_dnsmasq_takes_every_kit(tmp_path: Path) -> None:
    """`dnsmasq --test` (2.90 of Debian 12) as the second opinion, of random charters: with VLANs,
    many areas, and names that no device has."""
    dnsmasq = path_of("dnsmasq")
    if dnsmasq is None:
        pytest.skip("DNSMASQ DID NOT READ ITS SETTINGS: it is not here (Debian's dnsmasq-base)")
    seen = 0
    for number in range(RANDOM):
        charter = read(random_charter(Random(number)), "random.yaml").charter
        if charter is None:
            continue
        (tmp_path / CONF).write_text(advertising(make_plan(charter))[CONF], "ascii")
        said = subprocess.run(
            [dnsmasq, "--test", f"--conf-file={tmp_path / CONF}"],
            capture_output=True, text=True, timeout=20, check=False,
        )  # fmt: skip
        assert (said.returncode, said.stderr.strip()) == (0, "dnsmasq: syntax check OK."), number
        seen += 1
    assert seen > RANDOM / 2


def test_the_unit_is_one_that_the_service_manager_takes(kit: Kit, tmp_path: Path) -> None:
    text = kit.files[UNIT_FILE].decode("ascii")
    assert f"--conf-file={AT}\n" in text and "User=dnsmasq\n" in text
    verify = shutil.which("systemd-analyze")
    if verify is None:
        pytest.skip("NO SERVICE MANAGER READ THE UNIT: systemd-analyze is not here")
    (tmp_path / UNIT).write_text(
        text.replace("/usr/sbin/dnsmasq", shutil.which("true") or "/bin/true")
    )
    said = subprocess.run(
        [verify, "verify", "--man=no", "--recursive-errors=no", str(tmp_path / UNIT)],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert said.returncode == 0, said.stderr
