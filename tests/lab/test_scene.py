"""What the living sets hold for a probe, as text for nft: docs/explanation/kit.md, people and hours."""

from __future__ import annotations

from ipaddress import ip_address

import pytest

from netcharter.lab.scene import changes, contents, family_of
from netcharter.plan import labels
from netcharter.probes.shapes import Expected, Packet, Probe, Setting
from tests.lab.rehearsing import small

DEVICES = {"bunkrooms/visitor": "eth3"}
EVERYWHERE = {f'"{name}"' for name in ("eth0", "eth1", "eth2", "eth3", "eth4", "eth5", "lo")}
UP = frozenset({"copper", "mast"})


def probe(source: str, setting: Setting, hardware: int | None = 0x0200_0000_0007) -> Probe:
    end = "192.0.2.1" if "." in source else "2001:db8::1"
    packet = Packet(ip_address(source), ip_address(end), 6, 443, 40_000, hardware)
    expected = Expected("silent", ())
    return Probe(1, "bunkrooms/visitor", packet, "plain", setting, expected, "", "", "a probe")


def test_what_is_open_holds_every_device_and_lo() -> None:
    setting = Setting(UP, frozenset({"nc_open_evening", "nc_rest_night"}))
    found = contents(small(), DEVICES, setting, [probe("10.0.0.9", setting)])
    assert found == {"nc_open_evening": EVERYWHERE, "nc_rest_night": EVERYWHERE}


def test_who_is_signed_in_stands_in_the_sets_of_the_own_family_with_its_class() -> None:
    joins = {labels.signed_set(4), labels.signed_set(6), "nc_who4_rowan", "nc_who6_rowan"}
    setting = Setting(UP, frozenset(), frozenset(joins), identity=2)
    probes = [probe("10.0.0.9", setting), probe("fd00::9", setting), probe("10.0.0.8", setting)]
    found = contents(small(), DEVICES, setting, probes)
    four = {f'"eth3" . 10.0.0.{n} . 02:00:00:00:00:07' for n in (8, 9)}
    six = {'"eth3" . fd00::9 . 02:00:00:00:00:07'}
    assert found["nc_signed4"] == found["nc_who4_rowan"] == four
    assert found["nc_signed6"] == found["nc_who6_rowan"] == six
    # The class stands in bits 4 to 11 of the mark.
    assert found["nc_class4"] == {f"{who} : 0x00000020" for who in four}
    assert found["nc_class6"] == {f"{who} : 0x00000020" for who in six}


def test_nobody_is_signed_in_without_a_hardware_address() -> None:
    setting = Setting(UP, joins=frozenset({labels.signed_set(4)}), identity=1)
    with pytest.raises(ValueError, match="nobody can be signed in there: a probe"):
        contents(small(), DEVICES, setting, [probe("10.0.0.9", setting, None)])


def test_only_what_changes_is_said_and_a_map_is_no_set() -> None:
    before = {"nc_open_a": frozenset({'"lo"'}), "nc_class4": frozenset({"x : 0x1"})}
    after = {"nc_open_a": frozenset({'"lo"'}), "nc_open_b": frozenset({'"lo"', '"eth0"'})}
    assert list(changes(before, after)) == [
        "flush map inet netcharter nc_class4\n",
        'add element inet netcharter nc_open_b { "eth0", "lo" }\n',
    ]
    assert list(changes(after, after)) == []


@pytest.mark.parametrize("name", ["nc_open_4", "nc_class4", "nc_who5_rowan", "signed4"])
def test_a_set_of_something_else_has_no_family(name: str) -> None:
    with pytest.raises(ValueError, match="not a set of people"):
        family_of(name)
