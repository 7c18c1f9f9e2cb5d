"""Findings about names: where each points, what it shows, what it spares."""

from __future__ import annotations

from tests.proofs.finding_case import Case, rules

DICE = {"lists": "\n  dice: {entries: [dice.example, time.example.net], topic: gambling}\n"}
PUBLIC = {"offers": "\n  - {offer: https, on: dsl, to: shop, from: home, as: ⟦www.hut.example⟧}\n"}


def names(*lines: str) -> dict[str, str]:
    return {"names": "\n" + "".join(f"  - {{{line}}}\n" for line in lines)}


def pay(*rules: str) -> dict[str, str]:
    """A place that is made of names, and rules that reach it."""
    return {"rules": "\n" + "".join(f"  - {{{one}}}\n" for one in rules)}


PAY = {"places": "\n  pay: {domains: ⟦[pay.example, cards.example.net]⟧}\n  bank: {prefixes: "
       "[198.51.100.64/28]}\n"}  # fmt: skip

NAMES_CASES = (
    Case(
        "a rule that lets reach where names lead",
        "place-shares-addresses",
        "note",
        PAY | pay("let: home, reach: pay, with: https, because: cards"),
        {"places": "\n  pay: {domains: pay.example}\n  bank: {prefixes: 198.51.100.64/28}\n"}
        | pay("let: home, reach: bank, with: https, because: cards"),
        ("rule 1 lets reach whatever else is served at the addresses",),
    ),
    Case(
        "a rule that refuses where names lead",
        "place-refused-by-name",
        "warning",
        {"places": "\n  pay: {domains: pay.example}\n"}
        | pay("refuse: home, reach: ⟦pay⟧, with: https, because: no cards"),
        {"places": "\n  pay: {prefixes: 198.51.100.64/28}\n"}
        | pay("refuse: home, reach: pay, with: https, because: no cards"),
        ("while the gateway's resolver has told them of pay.example",),
    ),
    Case(
        "a place whose name is withheld from who is let",
        "place-name-not-answered",
        "warning",
        {"places": "\n  pay: {domains: pay.example}\n"}
        | pay("let: home, reach: ⟦pay⟧, with: https, because: cards")
        | names("withhold: pay.example, for: [home, yard]"),
        {"places": "\n  pay: {domains: pay.example}\n"}
        | pay("let: home, reach: pay, with: https, because: cards")
        | names("answer: pay.example, for: home", "withhold: pay.example, for: [home, yard]"),
        ("lets home reach pay, but for them pay.example is withheld (names rule 1)",),
        see=((17, "its names"),),
    ),
    Case(
        "a names rule behind a wider one",
        "names-rule-never-decides",
        "warning",
        names("withhold: gambling, for: [home, yard]", "answer: ⟦www.dice.example⟧, for: yard"),
        names("answer: www.dice.example, for: yard", "withhold: gambling, for: [home, yard]"),
        ("names rule 2 never decides: names rule 1 already decides all it speaks of",),
        see=((21, "names rule 1 decides first"),),
        other=DICE,
    ),
    Case(
        "a names rule about what is never asked for outside",
        "names-rule-never-decides",
        "warning",
        names("answer: ⟦printer.local⟧, for: home"),
        names("answer: printer.example, for: home"),
        ("names rule 1 never decides: housekeeping 'never-outside' already decides",),
    ),
    Case(
        "a names rule that is past",
        "rule-expired",
        "warning",
        names("withhold: play.example, for: home, until: ⟦2026-10-01⟧"),
        names("withhold: play.example, for: home, until: 2027-10-01"),
        ("names rule 1 ended on 01 October 2026",),
    ),
    Case(
        "a names rule that ends soon",
        "rule-expires-soon",
        "warning",
        names("withhold: play.example, for: home, until: ⟦2026-11-05⟧"),
        names("withhold: play.example, for: home, until: 2027-10-01"),
        ("names rule 1 ends in 3 days",),
    ),
    Case(
        "a device sheds what is withheld from it",
        "names-rule-evaded",
        "note",
        names("withhold: play.example, for: ⟦desk⟧"),
        names("withhold: play.example, for: home"),
        ("names rule 1 does not hold for desk where it asks from another IPv6 address",),
    ),
    Case(
        "names withheld where anybody else may be asked",
        "names-gone-round",
        "warning",
        names("withhold: play.example, for: ⟦home⟧")
        | rules("let: home, reach: internet, with: [dns, ssh]"),
        names("withhold: play.example, for: home") | rules("let: yard, reach: internet, with: dns"),
        (
            "names rule 1 holds in home for who asks this gateway, and there are ways around it; open",
            "open: other resolvers (IPv4), addresses without a name (IPv4) and tunnels and proxies (IPv4)",
            "undecidable: data in look-ups",
        ),
        ("an unnamed machine in home", "for dns"),
    ),
    Case(
        "names withheld where https is let",
        "names-gone-round",
        "note",
        names("withhold: play.example, for: ⟦desk⟧", "rewrite: a.example, to: b.example, for: home")
        | rules("let: home, reach: internet, with: tcp/443"),
        names("answer: play.example, for: desk")
        | rules("let: home, reach: internet, with: tcp/443"),
        (
            "names rule 1 and names rule 2 hold in home",
            "open: addresses without a name",
            "undecidable: DNS over HTTPS",
        ),
        ("for tcp/443",),
    ),
    Case(
        "somebody else lends addresses",
        "names-asked-elsewhere",
        "warning",
        names("withhold: play.example, for: ⟦yard⟧"),
        names("withhold: play.example, for: home"),
        ("names rule 1 holds in yard only for who asks this gateway",),
        other={
            "areas": "\n  home: {device: eth1, hosts: 12}\n"
            "  yard: {device: eth2, hosts: 12, lease: none}\n"
            "  club: {device: eth3, hosts: 12, sign-in: required}\n"
        },
    ),
    Case(
        "a rewrite that leads to a rewrite",
        "names-rewrite-loop",
        "warning",
        names(
            "rewrite: a.example, to: ⟦b.example⟧, for: home",
            "rewrite: b.example, to: a.example, for: yard",
            "rewrite: b.example, to: c.example, for: home",
        ),
        names(
            "rewrite: a.example, to: b.example, for: home",
            "rewrite: b.example, to: a.example, for: yard",
        ),
        ("names rule 1 leads to b.example, and that is rewritten itself by names rule 3",),
        see=((21, "names rule 3 decides it"),),
    ),
    Case(
        "a rewrite that leads to what is withheld",
        "names-rewrite-withheld",
        "warning",
        names("rewrite: a.example, to: ⟦dice.example⟧, for: home", "withhold: gambling, for: home"),
        names("rewrite: a.example, to: dice.example, for: home", "withhold: gambling, for: yard"),
        ("names rule 1 leads to dice.example, and that is withheld in home by names rule 2",),
        see=((22, "names rule 2 decides it"),),
        other=DICE,
    ),
    Case(
        "a public suffix withheld",
        "names-entry-over-wide",
        "warning",
        names("withhold: [play.example, ⟦co.uk⟧], for: home"),
        names("withhold: [play.example, play.co.uk], for: home"),
        ("names rule 1 withholds co.uk and all below it",),
    ),
    Case(
        "a list withholds the time server",
        "names-needed-withheld",
        "warning",
        {"lists": "\n  ⟦dice⟧: {entries: [dice.example, example.net]}\n"}
        | names("withhold: dice, for: home"),
        DICE | names("answer: time.example.net, for: home", "withhold: dice, for: home"),
        ("the list dice, line 2, names time.example.net, which is a time server",),
        other={
            "site": "{name: Hut, timezone: Europe/London, managed-from: [desk, spare],"
            " time-servers: time.example.net}"
        },
    ),
    Case(
        "a resolver in the clear beside others",
        "resolver-in-the-clear",
        "warning",
        {"resolvers": "\n  - {address: 192.0.2.53, tls: dns.example.net}\n  - ⟦192.0.2.54⟧\n"},
        {"resolvers": "\n  - 192.0.2.53\n  - 192.0.2.54\n"},
        ("192.0.2.54 would be asked in the clear", "not asked at all"),
    ),
    Case(
        "the name of an offer leads where a rule refuses",
        "offer-name-refused",
        "warning",
        PUBLIC,
        {"offers": PUBLIC["offers"].replace("⟦", "").replace("⟧", "")}
        | rules("let: home, reach: shop, with: https"),
        ("inside, www.hut.example leads to shop itself, and the default refuses it",),
        witness=("asks shop (10.88.0.46) for https",),
    ),
)
