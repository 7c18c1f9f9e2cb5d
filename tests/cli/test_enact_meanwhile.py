"""What others do on a real machine while something is on trial, or kept: whatever of it is taken away,
or keeps the machine from being as it was before, is told by name."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.cli.gateway import CHARTER, HURRY, Gateway, gateway

pytestmark = pytest.mark.kernel

LESS = CHARTER.replace("[http, https]", "https")
ENACT = ("enact", "less.yaml", *HURRY)
FOO = "nft add table ip foo; nft add chain ip foo {}"
ADDRESS = "10.7.0.9/27"
ADDED = f"ip address add {ADDRESS} dev eth2"


def ready(folder: Path, place: Gateway) -> None:
    place.write("less.yaml", LESS)
    assert folder.is_dir() and LESS != CHARTER


def test_what_others_add_while_it_is_on_trial_is_told(tmp_path: Path) -> None:
    with gateway(tmp_path) as place:
        ready(tmp_path, place)
        place.bench.shell(FOO.format("first"))
        assert place.run(*ENACT, "--set-aside", "ip foo").json()["gone"] == ["table ip foo"]
        place.bench.shell(f"{ADDED}; {FOO.format('second')}; tc qdisc add dev eth5 root pfifo")
        ran = place.run("undo")
        found = ran.json()
        assert ran.code == 0 and found["left"] == [], ran.told
        assert found["gone"] == [f"address {ADDRESS} on eth2"]
        table, queues = sorted(found["meanwhile"], key=lambda one: "queues" in one)
        assert "table ip foo" in table and "second" in table and "eth5" in queues
        look = place.look()
        assert ADDRESS not in look and "chain second" in look
        event = place.run("undo", "--history").json()["events"][-1]
        assert event["what"] == "undone" and ADDRESS in event["difference"]
        assert "ip foo" in event["difference"]
        # Nothing is done meanwhile: equal.
        assert place.run(*ENACT).code == 0
        found = place.run("undo").json()
        assert found["left"] == found["gone"] == found["meanwhile"] == []


def test_what_others_add_while_it_is_kept_is_told(tmp_path: Path) -> None:
    with gateway(tmp_path) as place:
        ready(tmp_path, place)
        place.bench.shell(FOO.format("first"))
        assert place.run(*ENACT, "--set-aside", "ip foo").code == 0
        assert place.run("keep").code == 0
        assert place.run("holds").code == 0
        place.bench.shell(f"{ADDED}; {FOO.format('second')}")
        others = place.run("holds").json()["others"]
        assert any(ADDRESS in one for one in others)
        assert any("ip foo" in one and "set aside" in one for one in others)
        ran = place.run("holds", "--mend")
        told = " ".join(ran.json()["notes"])
        assert ran.code == 0 and ADDRESS in told and "table ip foo" in told
        place.bench.shell(f"{ADDED}; {FOO.format('third')}")
        ran = place.run("boot")
        assert ran.json()["gone"] == [f"address {ADDRESS} on eth2", "table ip foo"], ran.told
        event = place.run("undo", "--history").json()["events"][-1]
        assert event["what"] == "restored at boot" and ADDRESS in event["difference"]
        place.bench.shell(ADDED)
        ran = place.run("undo")  # to the machine without anything of netcharter's
        assert ran.code == 0 and ran.json()["gone"] == [f"address {ADDRESS} on eth2"], ran.told
        assert place.run("keep").code == 0


def test_a_device_that_is_renamed_meanwhile_ends_the_trial_all_the_same(tmp_path: Path) -> None:
    with gateway(tmp_path) as place:
        ready(tmp_path, place)
        place.bench.shell("ip address add 192.0.2.99/28 dev eth5")
        assert place.run(*ENACT).code == 0
        place.bench.shell("ip link set eth5 down; ip link set eth5 name barn0 up")
        ran = place.run("undo")
        found = ran.json()
        assert ran.code == 1 and found["state"] == "undone", ran.told
        assert any("no device eth5" in one and "192.0.2.99" in one for one in found["left"])
        assert any("barn0" in one for one in found["meanwhile"])
        look = place.look()
        assert "table inet netcharter" not in look and "10.7.1.1" not in look
        assert not (tmp_path / "state" / "trial").exists()
        # The way on: the device has its name again, and it is put in place anew.
        place.bench.shell("ip link set barn0 down; ip link set barn0 name eth5 up")
        ran = place.run(*ENACT)
        assert ran.code == 0, ran.told
        assert place.run("undo").json()["left"] == []
