"""The kit's unbound asks a resolver by TLS with its certificate checked (RFC 7858, RFC 8310), and checks
signatures (RFC 4035): Debian's unbound 1.17.1 against a server of dnspython and OpenSSL."""

from __future__ import annotations

import sys
from ipaddress import ip_address
from pathlib import Path

import pytest

from netcharter.charter.read import read
from netcharter.lab.tools import path_of
from netcharter.plan import make_plan
from netcharter.render.resolver import AUTHORITIES, ROOT_KEY, ROOT_SERVERS, Upstream, settings
from tests.kernel.namespace import run
from tests.kernel.upstream import FALSE, TRUE

pytestmark = pytest.mark.kernel

CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines:
  copper: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
areas:
  hall: {device: eth3, prefix: 10.40.0.0/28}
devices:
  desk: {area: hall, hardware: 02:00:00:aa:00:01, address: lasting}
"""
ROOT = Path(__file__).parents[2]
NAME, OTHER = "dns.example.net", "other.example.net"
# The second server has a certificate for another name than is written; both have the same authority's
# file, in which each has put its own.
SCENE = """
mount -t tmpfs none /run; ip link set dev lo up
ip address add 192.0.2.53/32 dev lo; ip address add 192.0.2.54/32 dev lo
touch empty; servers=
serve() {
  $PYTHON -m tests.kernel.upstream $PWD $1 $2 & servers="$servers $!"
  for _ in $(seq 300); do [ ! -e ready.$2 ] || return 0; sleep 0.1; done; return 1
}
asks() { # settings
  $UNBOUND -d -p -c $PWD/$1.conf & unbound=$!
  $PYTHON ask.py $1
  kill $unbound; wait $unbound || :
}
serve 192.0.2.53 NAME; serve 192.0.2.54 OTHER
cp key.NAME right.key; cp key.OTHER wrong.key; cp key.OTHER other.key
asks right; asks wrong; [ ! -e heard.OTHER ] || cp heard.OTHER heard.wrong; asks other
kill $servers; wait || :
"""
ASK = """
import sys, time
from dns import flags, message, query, rcode
for name in ("gateway.home.arpa", "right.example", "forged.example"):
    end = time.monotonic() + 20.0
    while True:
        try:
            found = query.udp(message.make_query(name, "A", want_dnssec=True), "127.0.0.1", timeout=10.0)
            break
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.1)
    told = [str(one) for each in found.answer if each.rdtype == 1 for one in each]
    checked = "checked" if found.flags & flags.AD else "unchecked"
    print(sys.argv[1], name, rcode.to_text(found.rcode()), checked, *told)
"""


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    unbound = path_of("unbound")
    if unbound is None:
        pytest.skip("NOBODY WAS ASKED BY TLS: no unbound is here (tools/setup demo)")
    folder = tmp_path_factory.mktemp("upstream")
    charter = read(CHARTER, "hut.yaml").charter
    assert charter is not None
    for which, address, name in (
        ("right", "192.0.2.53", NAME),
        ("wrong", "192.0.2.54", NAME),
        ("other", "192.0.2.54", OTHER),
    ):
        text = settings(make_plan(charter), [Upstream(ip_address(address), name)])
        for there, here in ((ROOT_SERVERS, "empty"), (ROOT_KEY, f"{which}.key"),
                            (AUTHORITIES, "authority.pem")):  # fmt: skip
            assert there in text
            text = text.replace(there, str(folder / here))
        (folder / f"{which}.conf").write_text(text, "ascii")
    (folder / "ask.py").write_text(ASK)
    begin = f"UNBOUND={unbound}; PYTHON='env PYTHONPATH={ROOT}/src:{ROOT} {sys.executable}'\n"
    scene = SCENE.replace("NAME", NAME).replace("OTHER", OTHER)
    lines = run(begin + scene, folder, private=True).splitlines()
    heard = {f"heard by {n}": _read(folder / f"heard.{n}") for n in (NAME, OTHER, "wrong")}
    return {" ".join(w[:2]): " ".join(w[2:]) for w in map(str.split, lines) if len(w) > 2} | heard


def _read(path: Path) -> str:
    return path.read_text() if path.exists() else ""


def test_rfc7858_a_resolver_with_the_right_certificate_is_asked(told: dict[str, str]) -> None:
    assert told["right right.example"] == f"NOERROR checked {TRUE}"
    assert "right.example." in told[f"heard by {NAME}"]


def test_rfc8310_one_with_a_certificate_for_another_name_is_asked_nothing(
    told: dict[str, str],
) -> None:
    """Section 5 (strict): no answer, rather than one in the clear or by somebody else."""
    assert told["wrong right.example"] == "SERVFAIL unchecked"
    assert told["heard by wrong"] == ""
    assert told["other right.example"] == f"NOERROR checked {TRUE}"  # by its own name


def test_rfc4035_an_answer_that_was_not_signed_is_not_believed(told: dict[str, str]) -> None:
    """Section 5.5: FALSE is told by the resolver, and by us to nobody."""
    assert told["right forged.example"] == "SERVFAIL unchecked" and FALSE != TRUE
    assert "forged.example." in told[f"heard by {NAME}"]


def test_what_is_local_asks_nobody(told: dict[str, str]) -> None:
    for which in ("right", "wrong"):
        assert told[f"{which} gateway.home.arpa"].startswith("NXDOMAIN")  # of no area, and nowhere
    assert "home.arpa" not in told[f"heard by {NAME}"]
