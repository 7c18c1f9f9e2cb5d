"""What a rehearsal says of router advertisements, in words."""

from __future__ import annotations

from netcharter.lab.advertised import MISSING, Advertised
from netcharter.lab.lent import NO_CLIENT, Lent
from netcharter.lab.named import MISSING as NO_RESOLVER
from netcharter.lab.named import Named
from netcharter.tasks.rehearse_text import SHOWN, heard, leases, names


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


def test_what_hosts_were_told_of_names_is_told() -> None:
    (said,) = names(Named(areas=4, questions=320, outside=32), 400)
    assert said == (
        "named    hosts in 4 areas asked the gateway for names, 320 questions, and were told what is"
        " right; 32 names were asked for outside, and no answer from there that leads inside was"
        " passed on"
    )
    (ruled,) = names(Named(areas=4, questions=320, ruled=192, outside=0), 400)
    assert ruled.endswith("told what is right; 192 questions of these tried what names rules say")
    (few,) = names(Named(areas=1, questions=2, untried=("names outside: no line",)), 400)
    assert few.endswith("told what is right; not tried: names outside: no line")
    (none,) = names(Named(NO_RESOLVER), 400)
    assert none.startswith("UNNAMED  names were not tried: ") and none.endswith("install unbound")
    wrong = Named(areas=1, questions=2, outside=1, differences=("desk got no answer",))
    assert list(names(wrong, 400)) == ["DIFFERS  desk got no answer"]
