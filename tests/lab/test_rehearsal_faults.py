"""A kit with one thing wrong: the rehearsal finds it, and the mismatch names the very packet."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pytest

from netcharter.plan.shapes import Plan
from netcharter.probes.shapes import Mismatch
from tests.lab.rehearsing import SMALL, kit, small, tried

pytestmark = pytest.mark.kernel

FEW, MORE = 500, 1000  # probes: the classes of all decisions; with odd packets too
RULES, ROUTES = "nftables.nft", "routes.batch"


@dataclass(frozen=True)
class Fault:
    """What is put in the place of what, in which file of the kit (within a chain, if one is named);
    and what a mismatch that names the fault looks like.
    """

    name: str
    file: str
    chain: str
    old: str
    new: str
    shown: Callable[[Mismatch], bool]
    probes: int = FEW

    def planted(self, plan: Plan) -> dict[str, bytes]:
        files = kit(plan)
        text = files[self.file].decode("ascii")
        start = text.index(f"    chain {self.chain} {{\n") if self.chain else 0
        end = text.index("\n    }\n", start) if self.chain else len(text)
        part = text[start:end]
        assert self.old in part, f"the kit has changed: {self.name}"
        if self.chain:
            part = part.replace(self.old, self.new, 1)
        else:
            part = part.replace(self.old, self.new)
        files[self.file] = (text[:start] + part + text[end:]).encode("ascii")
        return files


def counted(found: Mismatch) -> set[str]:
    return set(found.seen.counters)


def at(found: Mismatch) -> set[str]:
    return {arrival.station for arrival in found.seen.arrivals}


def of(found: Mismatch, row: str) -> bool:
    return found.probe.row == row


FAULTS = (
    Fault(
        "two verdicts are swapped",
        RULES,
        "nc_fwdnet4_office",
        '} goto nc_row_rule_4 comment "rule 4:30 at charter.yaml"\n        goto nc_row_default',
        "} goto nc_row_default\n        goto nc_row_rule_4",
        lambda m: of(m, "rule 4") and not at(m) and m.seen.answer == "reset",
    ),
    Fault(
        "an element is missing",
        RULES,
        "nc_fwdnet4_office",
        "            tcp . 443,\n",
        "",
        lambda m: (
            of(m, "rule 4") and m.probe.packet.number == 443 and "nc_row_default" in counted(m)
        ),
    ),
    Fault(
        "let by another decision, which lets as well",
        RULES,
        "nc_in4_bunkrooms",
        "10.88.0.33 . tcp . 443 : goto nc_row_gate",
        "10.88.0.33 . tcp . 443 : goto nc_row_names",
        lambda m: of(m, "gate") and m.seen.answer == "answered" and "nc_row_names" in counted(m),
    ),
    Fault(
        "sources are not hidden",
        RULES,
        "nc_postrouting_nat",
        '        oifname { "eth0", "eth1" } ip saddr',
        '        oifname "eth9" ip saddr',
        lambda m: of(m, "rule 4") and any("from" in each for each in m.differences),
    ),
    Fault(
        "the way back by the public name is missing",
        RULES,
        "nc_postrouting_nat",
        'oifname "eth5" ip saddr',
        'oifname "eth9" ip saddr',
        lambda m: of(m, "offer 1") and m.probe.station.startswith("barn") and bool(at(m)),
    ),
    Fault(
        "refused in another manner",
        RULES,
        "nc_refuse",
        "reject with icmpx type admin-prohibited",
        "reject with icmpx type port-unreachable",
        lambda m: (m.probe.expected.answer, m.seen.answer) == ("prohibited", "unreachable"),
        MORE,
    ),
    Fault(
        "silent where an answer is due",
        RULES,
        "nc_refuse",
        "meta l4proto tcp counter reject with tcp reset",
        "meta l4proto tcp drop",
        lambda m: (m.probe.expected.answer, m.seen.answer) == ("reset", "silent"),
    ),
    Fault(
        "the offer is open to who addresses the inside",
        RULES,
        "nc_fwd4_copper",
        '        comment "copper"\n',
        '        comment "copper"\n        ip daddr 10.88.0.86 tcp dport 443 goto nc_row_offer_1\n',
        lambda m: m.probe.station == "copper" and at(m) == {"barn/booking"},
    ),
    Fault(
        "the offer delivers elsewhere",
        RULES,
        "nc_dnat_offer_1",
        "dnat ip to 10.88.0.86",
        "dnat ip to 10.88.0.70",
        lambda m: of(m, "offer 1") and not at(m),
    ),
    Fault(
        "everybody is taken for signed in",
        RULES,
        "nc_fwdnet4_bunkrooms",
        "iifname . ip saddr . ether saddr != @nc_signed4 goto nc_row_sign-in",
        "meta l4proto 255 goto nc_row_sign-in",
        lambda m: of(m, "sign-in") and "nc_row_sign-in" not in counted(m),
    ),
    Fault(
        "conversations may begin in the middle",
        "sysctl.conf",
        "",
        "nf_conntrack_tcp_loose = 0",
        "nf_conntrack_tcp_loose = 1",
        lambda m: m.probe.shape == "no-start",
        MORE,
    ),
    Fault(
        "routing headers pass",
        RULES,
        "nc_prerouting_raw",
        "        rt type 0 drop\n",
        "",
        lambda m: m.probe.shape == "source-routed",
        MORE,
    ),
    Fault(
        "the standby line comes first",
        ROUTES,
        "",
        "rule add pref 11001 lookup 101",
        "rule add pref 11001 lookup 102",
        lambda m: of(m, "rule 4") and at(m) == {"mast"},
    ),
    Fault(
        "answers leave by the wrong line",
        RULES,
        "nc_enter_mast",
        "or 0x00000002",
        "or 0x00000001",
        lambda m: m.probe.station == "mast",
    ),
)


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_planted_fault_is_found_by_its_own_packet(fault: Fault) -> None:
    found = tried(SMALL, fault.planted(small()), fault.probes)
    assert found.mismatches, "nothing was noticed"
    named = [each for each in found.mismatches if fault.shown(each)]
    assert named, [(each.probe.told, each.differences) for each in found.mismatches[:5]]
    assert found.captures[named[0].capture or ""].startswith(b"\x0a\x0d\x0d\x0a")


def test_without_a_fault_there_is_no_mismatch() -> None:
    found = tried(SMALL, kit(small()), MORE)
    assert [(each.probe.told, each.differences) for each in found.mismatches] == []
    assert MORE >= found.done == found.agreed > 0.9 * MORE
