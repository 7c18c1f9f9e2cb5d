"""The commands of the evening on a real kernel: the kit is put in place, and all of it comes back.

The kernel and iproute2 are the judges. VLAN devices are stood in for by pairs of the same names,
since not every kernel has 802.1Q.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from ipaddress import IPv6Network, ip_interface
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.plan import make_plan
from netcharter.render.kit import render
from netcharter.tasks.inheriting.charter import first_charter
from netcharter.tasks.inheriting.commands import backup, leftovers, loading, renames
from tests.kernel.namespace import made, run, written
from tests.tasks.inheriting.old_gateway import FOLDER, found, host, offers, rules

NOW = datetime(2026, 11, 2, 19, tzinfo=UTC)
pytestmark = pytest.mark.kernel

SNAPSHOT = r"""
snapshot() {
    ip -j address | sed -E 's/"(valid|preferred)_life_time":[0-9]+,?//g'
    for v in 4 6; do ip -$v route show table all; ip -$v rule; done
    TZ=UTC nft -s list ruleset
    sysctl -a 2>/dev/null | grep -E '^net\.ipv[46]\.(conf|ip_forward|icmp)'
}
"""


def old_gateway() -> str:
    """Shell lines that make this namespace the old gateway of the example."""
    lines = [made(device.name for device in host().devices)]
    for device in host().devices:
        for one in device.addresses:
            lifetime = " valid_lft 40000 preferred_lft 40000" if device.learnt else ""
            more = " nodad" if one.version == 6 else f" broadcast +{lifetime}"
            lines.append(f"ip address add {one}{more} dev {device.name}")
    for way in host().ways:
        if way.network.prefixlen == 0:
            lines.append(
                f"ip -{way.network.version} route add default via {way.next_hop}"
                f" dev {way.device} metric {way.metric}"
            )
    return "\n".join([*lines, "sysctl -q -w net.ipv4.ip_forward=1", "nft -f old.nft", SETTLED])


def beside(folder: Path) -> str:
    """What the machine itself would restart is restarted in name only."""
    (folder / "bin").mkdir()
    (folder / "bin" / "systemctl").write_text("#!/bin/sh\n")
    (folder / "bin" / "systemctl").chmod(0o755)
    return f"PATH={folder}/bin:$PATH; command -v systemctl | grep -qx {folder}/bin/systemctl\n"


# IPv6 addresses of the link are tentative for a moment (RFC 4862 section 5.4).
SETTLED = """
for i in $(seq 200); do
    ip -6 address show tentative | grep -q . || break
    sleep 0.1
done
"""


def test_the_ruleset_of_the_example_loads(tmp_path: Path) -> None:
    text = (FOLDER / "old.nft").read_bytes()
    (tmp_path / "old.nft").write_bytes(text)
    out = run("nft -f old.nft; nft -j list ruleset", tmp_path)
    kinds = [next(iter(entry)) for entry in json.loads(out)["nftables"]]
    assert kinds.count("table") == 1 and kinds.count("set") == 4 and kinds.count("chain") == 11
    assert kinds.count("rule") > 40


def test_everything_comes_back(tmp_path: Path) -> None:
    charter = first_charter(
        found(), rules(), offers(), site="Tarn Hollow", timezone="Europe/London",
        local_prefix=IPv6Network("fd5c:7a11:b0e::/48"), now=NOW,
    )  # fmt: skip
    reading = read(charter.text, "charter.yaml")
    assert reading.charter is not None
    plan = make_plan(reading.charter)
    written(render(plan).files, tmp_path)
    (tmp_path / "old.nft").write_bytes((FOLDER / "old.nft").read_bytes())
    keep = tmp_path / "kept"
    (tmp_path / "keep.sh").write_text("\n".join(backup(renames(plan, found()), str(keep))))
    take = "\n".join(leftovers(plan, found(), host()))
    # `load_ruleset` is what the tests of the kernel have for it, root or not; the kit makes VLAN
    # devices that stand here already
    lines = ["load_ruleset" if "nftables.nft" in line else line for line in loading()]
    put = "\n".join(f"{line} 2>/dev/null || true" for line in lines)
    script = f"""
    {beside(tmp_path)}
    {old_gateway()}
    {SNAPSHOT}
    sh -e keep.sh
    snapshot > before
    {take}
    {put}
    {SETTLED}
    snapshot > during
    for again in 1 2; do
        sh {keep}/back.sh
        {SETTLED}
        snapshot > after-$again
    done
    """
    run(script, tmp_path)
    texts = {
        name: (tmp_path / name).read_text() for name in ("before", "during", "after-1", "after-2")
    }
    assert "counter name" in texts["during"] and "dport 33890" in texts["before"]
    assert '"local":"10.20.60.254"' not in texts["during"]
    assert '"local":"10.20.60.1"' not in texts["before"]
    assert texts["after-1"] == texts["before"]
    assert texts["after-2"] == texts["before"]


def test_the_kept_addresses_can_be_read_again(tmp_path: Path) -> None:
    """What the backup keeps is what `inherit` reads."""
    from netcharter.tasks.inheriting.host import host_facts

    (tmp_path / "old.nft").write_bytes((FOLDER / "old.nft").read_bytes())
    (tmp_path / "keep.sh").write_text("\n".join(backup((), str(tmp_path / "kept"))))
    run(old_gateway() + "\nsh -e keep.sh\n", tmp_path)
    kept = {name: (tmp_path / "kept" / name).read_text() for name in
            ("addresses.json", "routes.json", "routes6.json")}  # fmt: skip
    again = host_facts(kept["addresses.json"], [kept["routes.json"], kept["routes6.json"]])
    assert again.problems == ()
    before = {d.name: d.addresses for d in host().devices}
    after = {d.name: d.addresses for d in again.devices if not d.name.startswith("peer")}
    assert {name: after[name] for name in before} == before
    assert ip_interface("10.20.60.254/24") in after["eth4"]

    def default(ways: object) -> list[tuple[str, str]]:
        return [(w.device, str(w.next_hop)) for w in ways if w.network.prefixlen == 0]  # type: ignore[attr-defined]

    assert sorted(default(again.ways)) == sorted(default(host().ways))
