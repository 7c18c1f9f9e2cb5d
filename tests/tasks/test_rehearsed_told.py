"""What a rehearsal says of router advertisements, in words."""

from __future__ import annotations

from netcharter.lab.advertised import MISSING, Advertised
from netcharter.lab.lent import NO_CLIENT, Lent
from netcharter.tasks.rehearse_text import SHOWN, heard, leases


def told(found: Advertised) -> str:
    return "\n".join(heard(found, 200))


def test_what_was_heard_is_told() -> None:
    assert told(Advertised(areas=1, prefixes=1)) == (
        "heard    hosts in 1 area learnt by router advertisements just the 1 IPv6 prefix of the"
        " plan, and no way out"
    )
    found = told(
        Advertised(areas=4, prefixes=8, of_lines=4, way_out=True, untried=("barn: empty",))
    )
    assert "just the 8 IPv6 prefixes of the plan, and that the gateway is the way out;" in found
    assert "; once lines had failed, that 4 of them are not to be used" in found
    assert found.endswith("not tried in barn: empty")


def test_what_was_not_tried_is_no_success() -> None:
    assert told(Advertised(MISSING)).startswith("UNHEARD  router advertisements were not tried: ")
    assert "install dnsmasq-base" in told(Advertised(MISSING))


def test_differences_are_told_one_by_one_and_no_success_beside_them() -> None:
    wrong = tuple(f"a host in area {n} has not learnt its prefix" for n in range(SHOWN + 3))
    found = Advertised(areas=20, prefixes=40, differences=wrong)
    text = told(found)
    assert not found.ok and "heard" not in text
    assert text.count("DIFFERS  a host in area ") == SHOWN
    assert "and 3 more such differences" in text


def test_what_clients_were_lent_is_told() -> None:
    found = Lent(areas=4, clients=6, lasting=3, refused=2, time=True)
    (said,) = leases(found, 400)
    assert said == (
        "lent     6 clients in 4 areas got an address, 3 of them their lasting ones, with router,"
        " resolver, domain and time server, and renewed it; 2 that are barred or strangers got none"
    )
    (few,) = leases(Lent(areas=1, clients=1), 400)
    assert few.endswith(
        "1 client in 1 area got an address, with router, resolver and domain, and renewed it"
    )
    (none,) = leases(Lent(NO_CLIENT), 400)
    assert none.startswith("UNASKED  leases were not tried: ") and "dhcpcd-base" in none
    wrong = list(leases(Lent(areas=1, clients=1, differences=("desk got no address",)), 400))
    assert wrong == ["DIFFERS  desk got no address"]
