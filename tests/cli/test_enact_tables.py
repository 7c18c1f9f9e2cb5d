"""Tables of others in nftables on a real machine: what they spoil is told before anything changes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.gateway import CHARTER, HURRY, gateway

pytestmark = pytest.mark.kernel

JUDGED = ("enact", "good.yaml", "--only-judge", *HURRY)
HOOK = "{ type filter hook input priority 0 ; policy accept ; }"
TABLES = f"""\
nft add table ip harmless; nft 'add chain ip harmless seen {HOOK}'
nft add rule ip harmless seen counter
nft add table ip allowance; nft 'add chain ip allowance spent {HOOK}'
"""


def test_what_tables_that_stay_spoil_is_told_before(tmp_path: Path) -> None:
    with gateway(tmp_path) as place:
        place.write("good.yaml", CHARTER)
        place.bench.shell(TABLES)
        assert place.run(*JUDGED).json()["others"] == []
        place.bench.shell("nft add rule ip allowance spent quota over 25 mbytes drop")
        look = place.look()
        (told,) = place.run(*JUDGED).json()["others"]
        assert "ip allowance" in told and "undone at once" in told and "--set-aside" in told
        # It is as it was told: all is undone at once; and beside what is harmless it is not.
        ran = place.run("enact", "good.yaml", *HURRY)
        assert ran.code == 1 and ran.json()["state"] == "undone", ran.told
        assert place.look() == look
        ran = place.run("enact", "good.yaml", *HURRY, "--set-aside", "ip allowance")
        assert ran.code == 0 and ran.json()["others"] == [], ran.told
        # What is set aside already may be said again.
        assert place.run("keep").code == 0
        ran = place.run(*JUDGED, "--set-aside", "ip allowance")
        assert ran.code == 0, ran.told


@pytest.mark.parametrize("name", ["ip nowhere", "harmless"])
def test_a_table_that_is_not_there_is_not_set_aside(tmp_path: Path, name: str) -> None:
    with gateway(tmp_path) as place:
        place.write("good.yaml", CHARTER)
        place.bench.shell(TABLES)
        ran = place.run(*JUDGED, "--set-aside", name)
        (one,) = ran.json()["diagnostics"]
        assert ran.code == 2 and one["id"] == "set-aside-absent", ran.told
        assert "ip allowance and ip harmless" in one["help"]
