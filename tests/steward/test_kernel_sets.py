"""The timed sets of a real kernel, with the demo's kit loaded into a namespace."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from netcharter.render import render
from netcharter.rollout.store import Version, digest_of, format_text, version_text
from netcharter.tasks.sources import Source, usable_plan
from tests.cli.running import CHARTER
from tests.kernel import namespace

pytestmark = pytest.mark.kernel
ROOT = Path(__file__).parents[2]


SMALL = b"""\
charter: 1
site: {name: Small, timezone: Europe/London}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  office: {device: eth2, hosts: 12}
rules:
  - {let: office, reach: internet, with: https, until: 2199-12-31, because: work}
"""  # without VLAN devices, which not every kernel has


@pytest.mark.parametrize("part", ["exact", "process", "mend", "hops"])
def test_a_kernel_holds_what_the_hours_say(short_path: Path, part: str) -> None:
    """`tests/steward/inside.py` says what is looked at."""
    text = (
        SMALL
        if part == "mend"
        else CHARTER.read_bytes().replace(b"until: 2027-03-31", b"until: 2199-12-31")
    )
    plan = usable_plan(Source("charter.yaml", text)).plan
    kit = render(plan)
    version = short_path / "versions" / "0001"
    (version / "kit").mkdir(parents=True)
    namespace.written(kit.files, version / "kit")
    (version / "charter.yaml").write_bytes(text)
    made = Version(1, digest_of(kit.files), "keeper", datetime(2026, 11, 26, tzinfo=UTC))
    (version / "version.json").write_bytes(version_text(made))
    (short_path / "format").write_bytes(format_text())
    (short_path / "kept").symlink_to("versions/0001")
    (short_path / "steward.yaml").write_text(
        f"steward: 1\ntrust-clock: true\nmend: {str(part == 'mend').lower()}\n"
    )
    namespace.written({"nftables.nft": kit.files["nftables.nft"]}, short_path)
    devices = sorted({*(a.parent for a in plan.areas), *(line.parent for line in plan.lines)})
    namespace.run(  # with a /sys that shows the devices of the namespace
        f"mount -t sysfs sysfs /sys\n{namespace.made(devices if part == 'mend' else [])}load_ruleset\nexport PYTHONPATH={ROOT}/src:{ROOT}\n{sys.executable} -m tests.steward.inside {part}\n",
        short_path,
        private=True,
    )
