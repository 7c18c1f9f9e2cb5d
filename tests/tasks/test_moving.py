"""A charter given other network devices: the values change, and not another letter."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.tasks.moving import Moved, devices_of, understood, with_devices
from netcharter.tasks.sources import Source, Unusable

SMALL = """\
charter: 1
site: {name: T, timezone: Europe/London, managed-from: [box]}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}   # eth0 it was
areas:
  office: {device: "eth1", hosts: 3}
  phones:
    device: 'eth2' # the blue cable
    vlan: 40
    hosts: 3
  cameras: {device: eth2, vlan: 50, hosts: 3}
devices:
  box: {area: office, hardware: 02:00:00:aa:00:01, address: lasting}
"""


def source(text: str = SMALL, **more: str) -> Source:
    def load(name: str) -> str:
        return more[name]

    return Source("site/charter.yaml", text.encode(), load)


def moved(mapping: dict[str, str], text: str = SMALL) -> Moved:
    return with_devices(source(text), mapping)


def test_only_the_devices_change() -> None:
    found = moved({"eth0": "enp1s0", "eth2": "enp3s0"})
    expected = SMALL.replace("device: eth0", "device: enp1s0")
    expected = expected.replace("'eth2'", "enp3s0").replace("device: eth2", "device: enp3s0")
    assert found.source.text.decode() == expected == found.texts["site/charter.yaml"]
    assert found.changed == {
        "copper": ("eth0", "enp1s0"),
        "phones": ("eth2", "enp3s0"),
        "cameras": ("eth2", "enp3s0"),
    }


def test_two_devices_change_places() -> None:
    charter, _ = understood(moved({"eth0": "eth1", "eth1": "eth0"}).source)
    assert charter.lines["copper"].device == "eth1" and charter.areas["office"].device == "eth0"


@pytest.mark.parametrize("name", ["1", "true", "null", "0x1f", "a.b-c@d+e", "~", "1e3", "no", "on"])
def test_a_device_with_a_name_that_yaml_takes_for_something_else(name: str) -> None:
    try:
        charter, _ = understood(moved({"eth1": name}).source)
    except Unusable as problem:  # the charter does not take every name that a kernel does
        assert {one.id for one in problem.diagnostics} == {"bad-interface"}
    else:
        assert charter.areas["office"].device == name


@pytest.mark.parametrize("name", ["", "a b", "x: y", "a\nb", '"', "'", "{", "#", "ä" * 9, "a" * 16])
def test_a_name_that_is_none_is_told_and_hurts_nothing(name: str) -> None:
    with pytest.raises(Unusable) as told:
        moved({"eth1": name})
    assert all(one.severity == "error" for one in told.value.diagnostics)


def test_a_device_that_the_charter_does_not_name_is_told() -> None:
    with pytest.raises(Unusable) as told:
        moved({"eth9": "enp1s0"})
    (only,) = told.value.diagnostics
    assert only.id == "no-such-network-device" and "eth9" in only.message


def test_two_that_would_hang_on_one_device_are_told() -> None:
    with pytest.raises(Unusable) as told:
        moved({"eth1": "eth0"})
    assert [one.id for one in told.value.diagnostics] == ["interface-twice"]


def test_anchors_stay_and_what_they_share_changes_together() -> None:
    text = SMALL.replace("'eth2'", "&blue eth2").replace("device: eth2,", "device: *blue,")
    found = moved({"eth2": "enp3s0"}, text)
    assert found.texts["site/charter.yaml"] == text.replace("&blue eth2", "&blue enp3s0")
    assert set(found.changed) == {"phones", "cameras"}


def test_included_files_are_edited_where_they_are() -> None:
    head, tail = SMALL.split("areas:\n")
    part = "areas:\n" + tail
    found = with_devices(source(f"{head}include: parts/areas.yaml\n", **{"parts/areas.yaml": part}),
                         {"eth1": "lan0"})  # fmt: skip
    assert found.texts["site/parts/areas.yaml"] == part.replace('"eth1"', "lan0")
    charter, _ = understood(found.source)
    assert charter.areas["office"].device == "lan0"


def test_lines_may_end_as_they_like_and_a_mark_may_come_first() -> None:
    text = "\ufeff" + SMALL.replace("\n", "\r\n")
    found = moved({"eth1": "lan0"}, text)
    assert found.source.text.decode() == SMALL.replace("\n", "\r\n").replace('"eth1"', "lan0")


def test_nothing_asked_is_nothing_changed() -> None:
    assert moved({}).texts["site/charter.yaml"] == SMALL
    assert moved({"eth0": "eth0"}).changed == {}


def test_the_demo_moves_anywhere_and_back(repository: Path) -> None:
    path = repository / "examples/tarn-hollow/charter.yaml"
    given = Source("charter.yaml", path.read_bytes())
    charter, _ = understood(given)
    names = devices_of(charter)
    dice = random.Random(5)
    for _ in range(5):
        new = dice.sample([f"port{n}" for n in range(20)], len(names))
        there = with_devices(given, dict(zip(names, new, strict=True)))
        back = with_devices(there.source, dict(zip(new, names, strict=True)))
        assert back.source.text == given.text != there.source.text
        assert read(there.source.text, "c").diagnostics == read(given.text, "c").diagnostics
