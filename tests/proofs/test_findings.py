"""Every finding about rules, site and promises: where it points, what it shows, what it spares."""

from __future__ import annotations

import pytest

from netcharter.diagnostics import Diagnostic
from netcharter.diagnostics.of_discovery import DISCOVERY
from netcharter.diagnostics.of_names import NAMES
from netcharter.diagnostics.of_proofs import PROMISES, RULES, SITE
from tests.proofs.discovery_cases import DISCOVERY_CASES
from tests.proofs.finding_case import Case, rules
from tests.proofs.names_cases import NAMES_CASES
from tests.proofs.sites import NAME, charter, found, judged, marked

DAILY = "  - {let: [home, yard], reach: internet, with: [http, https], because: daily work}\n"
FLOAT = "  - {let: wardens, reach: bank, with: https, because: the float}\n"
DESK = "  desk: {area: home, hardware: 02:00:00:aa:00:01, address: lasting}\n"
SPARE = "  spare: {area: home, hardware: 02:00:00:aa:00:02, address: lasting}\n"
SHOP = "  shop: {area: yard, hardware: 02:00:00:aa:00:03, address: lasting}\n"
HOME = "  home: {device: eth1, hosts: 12}\n  yard: {device: eth2, hosts: 12}\n"


def first_rule(shift: int = 0) -> int:
    """The line on which the first rule of such a charter stands."""
    return marked(charter(rules="\n  - ⟦x⟧"))[1].line + shift  # type: ignore[union-attr]


TWO_LINES = {
    "lines": """
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  mast: {device: eth8, address: 198.51.100.2/29, next-hop: 198.51.100.1}
"""
}


SIX = {
    "lines": """
  dsl: {device: eth0, address: [203.0.113.10/29, "2001:db8:1::2/64"],
    next-hop: [203.0.113.9, "2001:db8:1::1"], prefix: "2001:db8:a::/48"}
""",
    "places": """
  bank: {prefixes: [198.51.100.64/28]}
  six: {prefixes: ["2001:db8:5::/48"]}
  both: {prefixes: [198.51.100.80/28, "2001:db8:6::/48"]}
""",
}
REFUSING = {"exits": "\n  - {from: yard, by: mast, or-else: refused}\n"}


CASES = (
    Case(
        "an exit behind a wider one",
        "exit-never-decides",
        "warning",
        {"exits": "\n  - {from: [home, yard], by: mast}\n  - ⟦{from: desk, reach: bank, by: dsl}⟧\n"},
        {"exits": "\n  - {from: desk, reach: bank, by: dsl}\n  - {from: [home, yard], by: mast}\n"},
        ("exit 2 never decides: earlier exits match all",),
        other=TWO_LINES,
    ),
    Case(
        "an exit by a line without IPv4",
        "exit-without-ipv4",
        "warning",
        {"exits": "\n  - {from: home, by: ⟦dish⟧}\n"},
        {"exits": "\n  - {from: home, by: [dish, dsl]}\n"},
        ("dish carries no IPv4, so IPv4 by exit 1 takes other lines",),
        other={
            "lines": """
  dsl: {device: eth0, address: 203.0.113.10/29, next-hop: 203.0.113.9}
  dish: {device: eth8, address: "2001:db8:9::2/64", next-hop: "2001:db8:9::1"}
"""
        },
    ),
    Case(
        "an emergency that may leave by one line only",
        "exit-stops-emergency",
        "error",
        rules("let: yard, reach: bank, with: sip, emergency: ⟦true⟧") | REFUSING,
        rules("let: yard, reach: bank, with: sip, emergency: true")
        | {"exits": "\n  - {from: yard, by: mast}\n"},
        ("rule 1 is for emergencies, and an exit refuses it on other lines",),
        witness=("refused (prohibited) by housekeeping 'no-exit'", "mast is down"),
        see=((first_rule(3), "exit 1 refuses other lines"),),
        other=TWO_LINES,
    ),
    Case(
        "an emergency that ends",
        "emergency-ends",
        "warning",
        rules("let: yard, reach: bank, with: sip, emergency: true, contact: c,"
              " until: ⟦2027-03-31⟧"),
        rules("let: yard, reach: bank, with: sip, contact: c, until: 2027-03-31"),
        ("rule 1 is for emergencies and ends on 31 March 2027",),
    ),
    Case(
        "a barred device at an emergency rule",
        "emergency-barred",
        "warning",
        rules("let: yard, reach: bank, with: sip, emergency: ⟦true⟧")
        | {"devices": "\n" + DESK + SPARE + SHOP.replace("}", ", barred: true}")},
        rules("let: home, reach: bank, with: sip, emergency: true")
        | {"devices": "\n" + DESK + SPARE + SHOP.replace("}", ", barred: true}")},
        ("shop is barred, and that comes before rule 1",),
        witness=("shop in yard", "refused (reset) by housekeeping 'barred'"),
        see=((12, "barred here"),),
    ),
    Case(
        "an emergency where strangers are refused",
        "emergency-for-known-only",
        "note",
        rules("let: yard, reach: bank, with: sip, emergency: ⟦true⟧")
        | {"areas": "\n" + HOME.replace("eth2, hosts: 12", "eth2, hosts: 12, strangers: refused")
           + "  club: {device: eth3, hosts: 9, sign-in: required}\n"},
        rules("let: shop, reach: bank, with: sip, emergency: true")
        | {"areas": "\n" + HOME.replace("eth2, hosts: 12", "eth2, hosts: 12, strangers: refused")
           + "  club: {device: eth3, hosts: 9, sign-in: required}\n"},
        ("yard refuses strangers, and that comes before rule 1",),
        witness=("refused (reset) by housekeeping 'strangers'",),
    ),
    Case(
        "an exit refuses what must always be, while another line is up",
        "promise-broken",
        "error",
        {"promises": "\n  - {always: ⟦yard⟧, reach: bank, with: https}\n"} | REFUSING,
        {"promises": "\n  - {always: yard, reach: bank, with: https}\n",
         "exits": "\n  - {from: yard, by: mast}\n"},
        ("housekeeping 'no-exit' refuses https (tcp/443) to bank",),
        witness=("while mast is down: refused (prohibited) by housekeeping 'no-exit'",),
        other=TWO_LINES,
    ),
    Case(
        "a place of IPv4 alone that is refused",
        "refused-in-one-family",
        "warning",
        rules("refuse: home, reach: ⟦bank⟧, with: https", "let: home, reach: internet, with: https"),
        rules("refuse: home, reach: both, with: https", "let: home, reach: internet, with: https"),
        ("rule 1 refuses in IPv4 only: bank has no IPv6 prefix",),
        witness=("asks", "for https (tcp/443)", "let by rule 2"),
        other=SIX,
    ),
    Case(
        "a place that an earlier rule lets in both families",
        "refused-in-one-family",
        "warning",
        rules("refuse: home, reach: [yard, ⟦bank⟧], with: https",
              "let: home, reach: internet, with: https"),
        rules("let: home, reach: internet, with: https",
              "refuse: home, reach: [bank, yard], with: https"),
        ("rule 1 refuses in IPv4 only: bank",),
        witness=("let by rule 2",),
        other=SIX,
    ),
    Case(
        "who comes from a place of IPv6 alone",
        "refused-in-one-family",
        "warning",
        rules("refuse: [⟦six⟧, both], reach: shop, with: ssh", "let: internet, reach: shop, with: ssh")
        | {"offers": "\n  - {offer: ssh, on: dsl, to: shop}\n"},
        rules("refuse: both, reach: shop, with: ssh", "let: internet, reach: shop, with: ssh")
        | {"offers": "\n  - {offer: ssh, on: dsl, to: shop}\n"},
        ("rule 1 refuses in IPv6 only: six has no IPv4 prefix",),
        witness=("asks shop", "let by rule 2"),
        other=SIX,
    ),
    Case(
        "the ping of one family",
        "refused-in-one-family",
        "warning",
        rules("refuse: home, reach: yard, with: [ssh, ⟦icmp/8⟧]", "let: home, reach: yard, with: anything"),
        rules("refuse: home, reach: yard, with: ping", "let: home, reach: yard, with: anything"),
        ("rule 1 refuses in IPv4 only: its ping is of IPv4 alone",),
        witness=("asks", "icmpv6", "let by rule 2"),
    ),
    Case(
        "two earlier rules together",
        "rule-never-decides",
        "warning",
        rules(
            "let: home, reach: bank, with: tcp/1-500",
            "let: home, reach: bank, with: tcp/501-900",
            "refuse: home, reach: internet, with: tcp/901-950",
            "let: ⟦home⟧, reach: bank, with: tcp/400-600",
        ),
        rules(
            "let: home, reach: bank, with: tcp/1-500",
            "let: home, reach: bank, with: tcp/502-900",
            "refuse: home, reach: internet, with: tcp/901-950",
            "let: home, reach: bank, with: tcp/400-600",
        ),
        ("rule 4 never decides", "rule 1 and rule 2 together already decide all"),
        see=((first_rule(), "rule 1 decides first"), (first_rule(1), "rule 2 decides first")),
    ),
    Case(
        "one earlier rule that says the same",
        "rule-never-decides",
        "warning",
        rules("let: home, reach: internet, with: http", "let: ⟦desk⟧, reach: bank, with: http"),
        rules("let: yard, reach: internet, with: http", "let: desk, reach: bank, with: http"),
        ("rule 2 never decides: rule 1 already decides all it speaks of",),
        see=((first_rule(), "rule 1 decides first"),),
    ),
    Case(
        "housekeeping comes first",
        "rule-contradicted",
        "warning",
        rules("let: ⟦home⟧, reach: home, with: http"),
        rules("let: home, reach: yard, with: http"),
        ("rule 1 never decides: housekeeping 'same-area' already decides",),
    ),
    Case(
        "an offer behind one that delivers elsewhere",
        "rule-contradicted",
        "warning",
        {
            "offers": "\n  - {offer: https, on: dsl, to: shop}\n"
            "  - {offer: ⟦https⟧, on: dsl, to: desk}\n"
        },
        {
            "offers": "\n  - {offer: https, on: dsl, to: shop}\n"
            "  - {offer: http, on: dsl, to: desk}\n"
        },
        ("offer 2 never decides: offer 1 already decides",),
        see=((first_rule(3), "offer 1 decides first"),),
    ),
    Case(
        "nobody can be meant",
        "rule-never-decides",
        "warning",
        rules("let: ⟦wardens⟧, reach: bank, with: http"),
        rules("let: wardens, reach: bank, with: http") | {"areas": "\n" + HOME.replace(
            "eth2, hosts: 12", "eth2, hosts: 12, sign-in: required")},
        ("rule 1 never decides: nobody and nothing is left that it could speak of",),
        other={"areas": "\n" + HOME},
    ),
    Case(
        "one earlier rule that says the opposite",
        "rule-contradicted",
        "warning",
        rules("refuse: home, reach: bank, with: http", "let: ⟦desk⟧, reach: bank, with: http"),
        rules("let: desk, reach: bank, with: http", "refuse: home, reach: bank, with: http"),
        ("rule 2 never decides: rule 1 already decides all it speaks of",),
        see=((first_rule(), "rule 1 decides first"),),
    ),
    Case(
        "a refusal before the default",
        "rule-redundant",
        "note",
        rules("refuse: ⟦home⟧, reach: bank, with: ssh", "let: home, reach: bank, with: http"),
        rules("refuse: home, reach: bank, with: ssh", "let: home, reach: internet, with: ssh"),
        ("rule 1 could be left out: later decisions do the same to all it decides",),
    ),
    Case(
        "a wider rule follows",
        "rule-redundant",
        "warning",
        rules("let: ⟦desk⟧, reach: bank, with: ssh", "let: home, reach: internet, with: ssh"),
        rules("let: desk, reach: bank, with: ssh", "refuse: home, reach: internet, with: ssh"),
        ("rule 1 could be left out",),
        see=((first_rule(1), "rule 2 would do the same"),),
    ),
    Case(
        "one of the services",
        "rule-partly-hidden",
        "warning",
        rules(
            "refuse: home, reach: internet, with: ssh",
            "let: home, reach: bank, with: [http, ⟦ssh⟧]",
        ),
        rules(
            "refuse: yard, reach: internet, with: ssh",
            "let: home, reach: bank, with: [http, ssh]",
        ),
        ("of rule 2 the part 'ssh' never decides: rule 1 comes first and says the opposite",),
        see=((first_rule(), "rule 1 decides first"),),
    ),
    Case(
        "one of those who start",
        "rule-partly-hidden",
        "warning",
        rules(
            "refuse: yard, reach: internet, with: anything",
            "let: [home, ⟦yard⟧], reach: bank, with: http",
        ),
        rules(
            "refuse: yard, reach: internet, with: ssh",
            "let: [home, yard], reach: bank, with: http",
        ),
        ("of rule 2 the part 'yard' never decides: rule 1 comes first",),
        see=((first_rule(), "rule 1 decides first"),),
    ),
    Case(
        "one of the destinations, by two refusals together",
        "rule-partly-hidden",
        "warning",
        rules(
            "refuse: home, reach: bank, with: tcp/1-100",
            "refuse: home, reach: bank, with: tcp/101-200",
            "let: home, reach: [⟦bank⟧, yard], with: tcp/80-120",
        ),
        rules(
            "refuse: home, reach: bank, with: tcp/1-100",
            "refuse: home, reach: bank, with: tcp/102-200",
            "let: home, reach: [bank, yard], with: tcp/80-120",
        ),
        ("of rule 3 the part 'bank' never decides: rule 1 and rule 2 come first",),
        see=((first_rule(), "rule 1 decides first"), (first_rule(1), "rule 2 decides first")),
    ),
    Case(
        "neither is an exception from the other",
        "rules-contradict",
        "warning",
        rules(
            "refuse: home, reach: internet, with: http",
            "let: ⟦[home, yard]⟧, reach: bank, with: [http, ssh]",
        ),
        rules(
            "refuse: home, reach: bank, with: http",
            "let: [home, yard], reach: internet, with: [http, ssh]",
        ),
        ("rule 1 and rule 2 say opposite things", "so rule 1 wins"),
        witness=("in home", "asks bank (198.51.100.65) for http (tcp/80): refused (reset) by rule"),
        see=((first_rule(), "rule 1 wins where both fit"),),
    ),
    Case(
        "hours are meant as exceptions",
        "rules-contradict",
        "note",
        rules(
            "refuse: home, reach: internet, with: http, during: day",
            "let: ⟦[home, yard]⟧, reach: bank, with: [http, ssh]",
        ),
        rules(
            "refuse: home, reach: internet, with: https, during: day",
            "let: [home, yard], reach: bank, with: [http, ssh]",
        ),
        ("rule 1 and rule 2 say opposite things",),
        witness=("On Mon 02 Nov 2026 09:00, ", "refused (reset) by rule 1"),
        see=((first_rule(), "rule 1 wins where both fit"),),
    ),
    Case(
        "anywhere is more than the internet",
        "rule-broader-than-needed",
        "warning",
        rules("let: yard, reach: ⟦anywhere⟧, with: http"),
        rules("let: yard, reach: internet, with: http"),
        ("`anywhere` is more than the internet", "opens home, club and the gateway"),
        witness=("in yard", "asks desk (10.", "for http (tcp/80): let by rule 1"),
    ),
    Case(
        "anywhere, but only the internet is left",
        "rule-broader-than-needed",
        "note",
        rules(
            "refuse: yard, reach: [home, club, gateway], with: http",
            "let: yard, reach: ⟦anywhere⟧, with: http",
        ),
        rules(
            "refuse: yard, reach: [home, club, gateway], with: http",
            "let: yard, reach: internet, with: http",
        ),
        ("rule 2 says `anywhere`, yet it decides nothing that stays on the site",),
    ),
    Case(
        "everything to everywhere",
        "rule-broader-than-needed",
        "warning",
        rules("refuse: yard, reach: [home, club, gateway], with: anything",
              "let: ⟦yard⟧, reach: anywhere, with: anything"),
        rules("let: yard, reach: internet, with: anything"),
        ("rule 2 lets every service to every destination: whatever yard may start",),
    ),
    Case(
        "anyone, but only some are left",
        "rule-broader-than-needed",
        "note",
        rules(
            "refuse: [home, club, dsl], reach: bank, with: http",
            "let: ⟦anyone⟧, reach: bank, with: http",
        ),
        rules("let: anyone, reach: shop, with: http"),
        ("rule 2 says `anyone`, yet it decides only for yard",),
    ),
    Case(
        "nobody signs in anywhere",
        "group-without-sign-in",
        "error",
        rules("let: ⟦wardens⟧, reach: bank, with: http"),
        rules("let: home, reach: bank, with: http"),
        ("rule 1 is about wardens, but nobody can be wardens here: nobody signs in anywhere",),
        other={"areas": "\n" + HOME},
    ),
    Case(
        "a group without members",
        "group-without-sign-in",
        "error",
        rules("let: ⟦wardens⟧, reach: bank, with: http") | {"people": "\n  rowan: {}\n"},
        rules("let: [home, yard, club], reach: bank, with: http"),
        ("but nobody can be wardens here",),
    ),
    Case(
        "in some areas nobody signs in",
        "group-without-sign-in",
        "note",
        rules("let: ⟦rowan⟧, reach: bank, with: http"),
        rules("let: rowan, reach: bank, with: http") | {
            "areas": "\n  home: {device: eth1, hosts: 12, sign-in: required}\n"
            "  yard: {device: eth2, hosts: 12, sign-in: required}\n"
        },
        ("rule 1 is about rowan, but in home and yard nobody signs in",),
    ),
    Case(
        "ended yesterday",
        "rule-expired",
        "warning",
        rules("let: home, reach: bank, with: http, contact: c, until: ⟦2026-11-01⟧"),
        rules("let: home, reach: bank, with: http, contact: c, until: 2026-11-02"),
        ("rule 1 ended on 01 November 2026",),
    ),
    Case(
        "ends today",
        "rule-expires-soon",
        "warning",
        rules("let: home, reach: bank, with: http, contact: fern, until: ⟦2026-11-02⟧"),
        rules("let: home, reach: bank, with: http, contact: fern, until: 2026-11-01"),
        ("rule 1 ends today, at the end of 02 November 2026",),
    ),
    Case(
        "an offer ends in thirty days",
        "rule-expires-soon",
        "warning",
        {"offers": "\n  - {offer: ssh, on: dsl, to: shop, until: ⟦2026-12-02⟧}\n"},
        {"offers": "\n  - {offer: ssh, on: dsl, to: shop, until: 2026-12-03}\n"},
        ("offer 1 ends in 30 days",),
    ),
    Case(
        "a place nobody speaks of",
        "never-used",
        "note",
        {"places": "\n  bank: {prefixes: [198.51.100.64/28]}\n"
                   "  ⟦mill⟧: {prefixes: [198.51.100.32/28]}\n"},
        {"promises": "\n  - {never: yard, reach: mill}\n",
         "places": "\n  bank: {prefixes: [198.51.100.64/28]}\n"
                   "  mill: {prefixes: [198.51.100.32/28]}\n"},
        ("places: 'mill' is never used",),
    ),
    Case(
        "a term no hours speak of",
        "never-used",
        "note",
        {"terms": "\n  ⟦autumn⟧: 2026-09-03 to 2026-12-18\n"},
        {"terms": "\n  autumn: 2026-09-03 to 2026-12-18\n",
         "hours": '\n  day: {weekly: {daily: "08:00-16:00"}, terms: autumn}\n'},
        ("terms: 'autumn' is never used in hours",),
    ),
    *NAMES_CASES,
    *DISCOVERY_CASES,
    Case(
        "a list nothing speaks of",
        "never-used",
        "note",
        {"lists": "\n  ⟦games⟧: {entries: [play.example]}\n"},
        {},
        ("lists: 'games' is never used in a names rule",),
    ),
    Case(
        "the last term is over",
        "terms-over",
        "warning",
        {"terms": "\n  autumn: [2025-09-03, 2026-09-03 to 2026-11-01]\n",
         "hours": '\n  day: {weekly: {daily: "08:00-16:00"}, terms: ⟦autumn⟧}\n'},
        {"terms": "\n  autumn: [2025-09-03, 2026-09-03 to 2026-11-02]\n",
         "hours": '\n  day: {weekly: {daily: "08:00-16:00"}, terms: autumn}\n'},
        ("terms of day ended on 01 November 2026", "it is never open again"),
    ),
    Case(
        "the last term ends in thirty days",
        "terms-end-soon",
        "warning",
        {"terms": "\n  autumn: 2026-09-03 to 2026-12-02\n",
         "hours": '\n  day: {weekly: {daily: "08:00-16:00"}, outside: ⟦autumn⟧}\n'},
        {"terms": "\n  autumn: 2026-09-03 to 2026-12-03\n",
         "hours": '\n  day: {weekly: {daily: "08:00-16:00"}, outside: autumn}\n'},
        ("terms of day ends on 02 December 2026", "weekly windows begin on every day"),
    ),
    Case(
        "a dated window that the clock skips",  # 28 March 2027, 01:00 UTC (tz database)
        "window-skipped",
        "warning",
        {"hours": '\n  day: {weekly: {daily: "08:00-16:00"},'
                  ' dates: {2027-03-27 to 2027-03-28: ⟦["01:15-01:45", "05:00-06:00"]⟧}}\n'},
        {"hours": '\n  day: {weekly: {daily: "08:00-16:00"},'
                  ' dates: {2027-03-27 to 2027-03-28: "01:15-02:15", 2027-10-31: "01:15-01:45"}}\n'},
        ("01:15-01:45 of day on 2027-03-28 never comes", "from 01:00 to 02:00 then"),
    ),
    Case(
        "hours nobody speaks of",
        "never-used",
        "note",
        rules("let: [home, yard, wardens], reach: bank, with: http")
        | {"hours": '\n  ⟦day⟧: {weekly: {daily: "08:00-16:00"}}\n'},
        rules("let: [home, yard, wardens], reach: bank, with: http, during: day"),
        ("hours: 'day' is never used",),
    ),
    Case(
        "an area nobody speaks of",
        "never-used",
        "note",
        rules("let: [home, wardens], reach: bank, with: http, during: day")
        | {"areas": "\n  home: {device: eth1, hosts: 12}\n  ⟦yard⟧: {device: eth2, hosts: 12}\n"
           "  club: {device: eth3, hosts: 12, sign-in: required}\n"},
        rules("let: [anyone, wardens], reach: bank, with: http, during: day"),
        ("areas: 'yard' is never used",),
    ),
    Case(
        "apart is assumed",
        "apart-not-proven",
        "note",
        {"areas": "\n" + HOME + "  club: {device: eth3, hosts: 9, sign-in: required,"
         " apart: ⟦true⟧}\n"},
        {"areas": "\n" + HOME + "  club: {device: eth3, hosts: 9, sign-in: required,"
         " apart: false}\n"},
        ("that hosts of club cannot reach each other is assumed, not proven",),
    ),
    Case(
        "no way in",
        "no-management-path",
        "error",
        {"site": "⟦{name: Hut, timezone: Europe/London}⟧"},
        {},
        ("no device may manage the gateway",),
    ),
    Case(
        "a way in by an address",
        "management-spoofable",
        "warning",
        {"site": "{name: Hut, timezone: Europe/London, managed-from: ⟦[desk, spare]⟧}",
         "devices": "\n" + DESK + SHOP + "  spare: {area: home, address: 10.9.0.7}\n"},
        {"devices": "\n" + DESK + SHOP
         + "  spare: {area: home, address: 10.9.0.7, hardware: 02:00:00:aa:00:02}\n"},
        ("spare is known by its address only",),
        other={"areas": "\n  home: {device: eth1, prefix: 10.9.0.0/27, hosts: 12}\n"
               "  yard: {device: eth2, hosts: 12}\n"
               "  club: {device: eth3, hosts: 12, sign-in: required}\n"},
    ),
    Case(
        "only one way in",
        "single-management-device",
        "note",
        {"site": "{name: Hut, timezone: Europe/London, managed-from: ⟦[desk]⟧}"},
        {},
        ("desk is the only way in",),
    ),
    Case(
        "a barred device as the way in",
        "lock-out",
        "error",
        {"site": "{name: Hut, timezone: Europe/London, managed-from: ⟦[desk, shop]⟧}",
         "devices": "\n" + DESK + SPARE
         + "  shop: {area: yard, hardware: 02:00:00:aa:00:03, address: lasting, barred: true}\n"},
        {"site": "{name: Hut, timezone: Europe/London, managed-from: [desk, shop]}",
         "devices": "\n" + DESK + SPARE.replace("}", ", barred: true}") + SHOP},
        ("the way in is not open in every state of the site", "housekeeping 'barred' refuses ssh"),
        witness=("shop in yard", "for ssh (tcp/22): refused (reset) by housekeeping 'barred'"),
    ),
    Case(
        "a rule for anyone opens the site to the internet",
        "open-to-outside",
        "error",
        rules("let: ⟦anyone⟧, reach: shop, with: http"),
        rules("let: [home, internet], reach: shop, with: http"),
        ("lets the internet in, and does not say so",),
        witness=("someone who comes in by",),
    ),
    Case(
        "a rule opens what is never to be",
        "promise-broken",
        "error",
        {"promises": "\n  - {never: ⟦yard⟧, reach: bank}\n"},
        {"promises": "\n  - {never: club, reach: home}\n"},
        ("'never: yard, reach: bank' does not hold: rule 1 lets https (tcp/443) to bank",),
        witness=("in yard", "asks bank (198.51.100.65) for https (tcp/443): let by rule 1",),
        see=((first_rule(), "rule 1 decides it"),),
    ),
    Case(
        "of several only what is open is named",
        "promise-broken",
        "error",
        {"promises": "\n  - {never: ⟦yard⟧, reach: [home, bank, club]}\n"},
        {"promises": "\n  - {never: yard, reach: [home, club]}\n"},
        ("what is open of it: bank",),
        witness=("asks bank (198.51.100.65)",),
        see=((first_rule(), "rule 1 decides it"),),
    ),
    Case(
        "what must always be is refused by default",
        "promise-broken",
        "error",
        {"promises": "\n  - {always: ⟦home⟧, reach: bank, with: ssh}\n"},
        {"promises": "\n  - {always: home, reach: bank, with: https}\n"},
        ("the default refuses ssh (tcp/22) to bank",),
        witness=("in home", "for ssh (tcp/22): refused (reset) by the default"),
    ),
    Case(
        "hours in which it does not hold",
        "promise-broken",
        "error",
        {"promises": "\n  - {always: ⟦rowan⟧, reach: bank, with: https}\n"},
        {"promises": "\n  - {always: rowan, reach: bank, with: https, during: day}\n"},
        ("the default refuses https (tcp/443) to bank",),
        witness=("Nov 2026 16:00, ", "(rowan, signed in) asks bank", "refused (reset) by the defa"),
    ),
    Case(
        "no offer leads there",
        "promise-broken",
        "error",
        {"promises": "\n  - {always: ⟦internet⟧, reach: shop, with: https}\n"},
        {"promises": "\n  - {always: internet, reach: shop, with: https}\n",
         "offers": "\n  - {offer: https, on: dsl, to: shop}\n"},
        ("from dsl there is no offer that leads to shop with all of this",),
    ),
    Case(
        "more than only",
        "promise-broken",
        "error",
        {"promises": "\n  - {only: ⟦yard⟧, reach: bank}\n"},
        {"promises": "\n  - {only: wardens, reach: bank}\n"},
        ("'only: yard, reach: bank' does not hold: rule 1 lets https",),
        witness=("in yard", "for https (tcp/443): let by rule 1"),
        see=((first_rule(), "rule 1 decides it"),),
    ),
    Case(
        "an offer opens what is never to be",
        "offer-breaks-promise",
        "error",
        {"promises": "\n  - {never: ⟦internet⟧, reach: yard}\n"},
        {"promises": "\n  - {never: internet, reach: yard, except: offers}\n"},
        ("'never: internet, reach: yard' does not hold: offer 1 lets https",),
        witness=("someone who comes in by dsl", "really delivered to shop (10.", "let by offer 1"),
        see=((first_rule(3), "offer 1 decides it"),),
        other={"offers": "\n  - {offer: https, on: dsl, to: shop}\n"},
    ),
    Case(
        "an emergency does not outrank a promise",
        "emergency-breaks-promise",
        "error",
        rules("let: yard, reach: bank, with: sip, emergency: true")
        | {"promises": "\n  - {never: ⟦yard⟧, reach: bank}\n"},
        rules("let: home, reach: bank, with: sip, emergency: true")
        | {"promises": "\n  - {never: yard, reach: bank}\n"},
        ("'never: yard, reach: bank' does not hold: rule 1 lets",),
        witness=("in yard", "let by rule 1"),
        see=((first_rule(), "rule 1 decides it"),),
    ),
    Case(
        "no reason is given",
        "rule-without-reason",
        "note",
        {"rules": "\n  - ⟦{let: home, reach: internet, with: http}⟧\n"},
        {"rules": "\n  - {let: home, reach: internet, with: http, because: b}\n"},
        ("rule 1 does not say why it is there",),
    ),
    Case(
        "nobody to ask about an exception",
        "exception-without-contact",
        "note",
        {"rules": "\n  - ⟦{let: home, reach: bank, with: http, until: 2027-11-30, because: b}⟧\n"},
        rules("let: home, reach: bank, with: http, until: 2027-11-30, contact: fern"),
        ("rule 1 is for a time, and nobody is named to ask about it",),
    ),
    Case(
        "exempt by hardware",
        "exempt-spoofable",
        "note",
        {"devices": "\n" + DESK + SPARE
         + "  ⟦shop⟧: {area: club, hardware: 02:00:00:aa:00:03, sign-in: exempt}\n"},
        {},
        ("shop need not sign in: whoever copies its hardware address",),
    ),
    Case(
        "barred by an address that it can draw anew",
        "bar-evaded",
        "note",
        {"devices": "\n" + DESK + SPARE
         + "  ⟦shop⟧: {area: yard, hardware: 02:00:00:aa:00:03, barred: true}\n"},
        {"devices": "\n" + DESK + SPARE
         + "  shop: {area: yard, hardware: 00:00:5e:00:53:03, barred: true}\n"},
        ("shop is barred by 02:00:00:aa:00:03, which is locally administered",),
    ),
    Case(
        "barred by its address only",
        "bar-evaded",
        "warning",
        {"devices": "\n" + DESK + SPARE + "  ⟦shop⟧: {area: yard, address: 10.9.0.7,"
         " barred: true}\n"},
        {"devices": "\n" + DESK + SPARE + "  shop: {area: yard, address: 10.9.0.7,"
         " hardware: 00:00:5e:00:53:03, barred: true}\n"},
        ("shop is barred by its address only, which it can change",),
        other={"areas": "\n  home: {device: eth1, hosts: 12}\n"
               "  yard: {device: eth2, prefix: 10.9.0.0/27, hosts: 12}\n"
               "  club: {device: eth3, hosts: 12, sign-in: required}\n"},
    ),
    Case(
        "behind a provider's translation (RFC 6598)",
        "offer-behind-carrier",
        "warning",
        {"lines": "\n  dsl: {device: eth0, address: 100.64.0.10/29, next-hop: 100.64.0.9}\n",
         "offers": "\n  - ⟦{offer: https, on: dsl, to: shop}⟧\n"},
        {"lines": "\n  dsl: {device: eth0, address: 100.128.0.10/29, next-hop: 100.128.0.9}\n",
         "offers": "\n  - {offer: https, on: dsl, to: shop}\n"},
        ("offer 1 cannot be reached over IPv4: dsl has 100.64.0.10",),
    ),
    Case(
        "web pages with a limit below one browser",
        "limit-below-a-browser",
        "warning",
        {"offers": "\n  - {offer: [ssh, https], on: dsl, to: shop,"
         " per-source: ⟦{new: 30 per minute, at-once: 5}⟧}\n"},
        {"offers": "\n  - {offer: [ssh, https], on: dsl, to: shop,"
         " per-source: {new: 6 per minute, at-once: 6}}\n"
         "  - {offer: smtp, on: dsl, to: shop, per-source: {new: 2 per hour}}\n"},
        ("offer 1 offers web pages, and `at-once: 5` per source is less than one",),
    ),
    Case(
        "a device of its own is a stranger",
        "device-unknown",
        "warning",
        {"devices": "\n" + DESK + SPARE + "  ⟦shop⟧: {area: yard, address: 10.9.0.7}\n"},
        {"devices": "\n" + DESK + SPARE
         + "  shop: {area: yard, address: 10.9.0.7, hardware: 02:00:00:aa:00:03}\n"},
        ("shop can do nothing: yard refuses strangers",),
        other={"areas": "\n  home: {device: eth1, hosts: 12}\n"
               "  yard: {device: eth2, prefix: 10.9.0.0/27, hosts: 12, strangers: refused}\n"
               "  club: {device: eth3, hosts: 12, sign-in: required}\n"},
    ),
    Case(
        "an address that stands in documents only (RFC 9542)",
        "placeholder-hardware",
        "note",
        {"devices": "\n" + DESK + SPARE
         + "  shop: {area: yard, hardware: ⟦00:00:5e:00:53:ff⟧, address: lasting}\n"},
        {"devices": "\n" + DESK + SPARE
         + "  shop: {area: yard, hardware: 00:00:5e:00:54:00, address: lasting}\n"},
        ("00:00:5e:00:53:ff is an address for documents: no real device is shop",),
    ),
    Case(
        "a lasting address for one that was drawn",
        "hardware-may-change",
        "note",
        {"devices": "\n" + DESK + SPARE
         + "  shop: {area: yard, hardware: ⟦3a:5e:10:aa:00:03⟧, address: lasting}\n"},
        {"devices": "\n" + DESK + SPARE
         + "  shop: {area: yard, hardware: 38:5e:10:aa:00:03, address: lasting}\n"},
        ("shop is known by 3a:5e:10:aa:00:03", "it has no lasting address"),
    ),
    Case(
        "a manager whose address was drawn",
        "hardware-may-change",
        "warning",
        {"devices": "\n" + DESK + SHOP
         + "  spare: {area: home, hardware: ⟦de:5e:10:aa:00:03⟧, address: lasting}\n"},
        {"devices": "\n" + DESK + SHOP
         + "  spare: {area: home, hardware: 02:00:00:aa:00:02, address: lasting}\n"},
        ("spare is known by", "can't look after the gateway and has no lasting address"),
    ),
    Case(
        "a manager that roams",
        "management-roams",
        "warning",
        {"devices": "\n" + DESK + SHOP
         + "  spare: {area: home, hardware: 02:00:00:aa:00:02, address: lasting,"
           " roams: ⟦true⟧}\n"},
        {"devices": "\n" + DESK + SPARE + SHOP.replace("}", ", roams: true}")},
        ("spare may look after the gateway from yard and club, too",),
    ),
    Case(
        "an address in one family only",
        "device-unseen-in-ipv6",
        "note",
        {"devices": "\n" + DESK + SPARE
         + "  shop: {area: yard, hardware: 02:00:00:aa:00:03, address: ⟦10.9.0.7⟧}\n"},
        {"devices": "\n" + DESK + SPARE + SHOP},
        ("only IPv4 addresses of shop are written, yet yard has IPv6",),
        other={"areas": "\n  home: {device: eth1, hosts: 12}\n"
               "  yard: {device: eth2, prefix: 10.9.0.0/27, hosts: 12}\n"
               "  club: {device: eth3, hosts: 12, sign-in: required}\n",
               "promises": "\n  - {never: club, reach: shop}\n"},
    ),
    Case(
        "a line and a device that share no family",
        "offer-opens-nothing",
        "warning",
        {"offers": "\n  - {offer: https, on: dsl, to: ⟦shop⟧}\n",
         "lines": '\n  dsl: {device: eth0, address: "2001:db8:7aff::2/64",'
         ' next-hop: "2001:db8:7aff::1"}\n'},
        {"offers": "\n  - {offer: https, on: dsl, to: shop}\n",
         "lines": '\n  dsl: {device: eth0, address: "2001:db8:7aff::2/64",'
         ' next-hop: "2001:db8:7aff::1", prefix: "2001:db8:7a00::/48"}\n'},
        ("offer 1 opens nothing: dsl and shop share no address family",),
    ),
    Case(
        "between hosts of one area no gateway stands",
        "same-area-not-proven",
        "note",
        {"promises": "\n  - {never: ⟦home⟧, reach: desk}\n"},
        {"promises": "\n  - {never: yard, reach: desk}\n"},
        ("within home hosts reach each other without the gateway",),
    ),
)  # fmt: skip
IDS = [f"{case.id}: {case.title}" for case in CASES]


def sole(case: Case) -> Diagnostic:
    """The finding that a case is about."""
    text, span = marked(charter(**{**case.other, **case.shows}))
    assert span is not None, "nothing is marked"
    here = [d for d in found(judged(text), case.id) if d.span == span]
    spans = [(d.span.line, d.span.column, d.message) for d in found(judged(text), case.id)]
    assert here, f"nothing at {span}, but {spans}"
    matching = [d for d in here if all(part in d.message for part in case.says)]
    assert len(matching) == 1, [d.message for d in here]
    return matching[0]


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_a_finding_points_at_its_place_and_says_what_is_wrong(case: Case) -> None:
    finding = sole(case)
    assert finding.severity == case.severity
    assert finding.span.file == NAME
    assert finding.help
    if case.witness:
        assert finding.witness is not None
        assert all(part in finding.witness for part in case.witness), finding.witness
    else:
        assert finding.witness is None
    assert tuple((span.line, words) for span, words in finding.related) == case.see


@pytest.mark.parametrize("case", CASES, ids=IDS)
def test_a_charter_much_like_it_has_no_such_finding(case: Case) -> None:
    text, span = marked(charter(**{**case.other, **case.spares}))
    assert span is None
    told = [d.message for d in found(judged(text), case.id) if d.severity == case.severity]
    assert not any(all(part in message for part in case.says) for message in told), told
    similar = [m for m in told if m.partition(" ")[0] == case.says[0].partition(" ")[0]]
    if case.id not in ("promise-broken", "never-used"):
        assert not similar, similar


def test_what_housekeeping_decides_cannot_be_mended_by_another_order() -> None:
    text = charter(**rules("let: home, reach: home, with: http"))
    (finding,) = found(judged(text), "rule-contradicted")
    assert finding.help == "leave it out: housekeeping 'same-area' comes before every rule"


def test_where_people_sign_in_a_rule_for_people_speaks_of_the_area() -> None:
    assert not any("'club'" in d.message for d in found(judged(charter()), "never-used"))


def test_every_finding_of_the_catalogue_has_a_case() -> None:
    assert {case.id for case in CASES} == {*RULES, *SITE, *PROMISES, *NAMES, *DISCOVERY}
