"""Faults planted into the text of a ruleset: what a renderer, a hand or a disk might do to it.

Each takes the text and chance, and gives the text with one thing wrong, or None where there is
nothing of that kind. Not every fault changes what happens to packets: an element may be one that
an earlier rule never lets through to. Whoever plants one has to find that out otherwise.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from ipaddress import ip_address, ip_network
from random import Random

Edit = Callable[[str, Random], str | None]

# Parts of an entrance's decisions, as docs/explanation/kit.md names them.
DECISIONS = re.compile(r"    chain (nc_(?:in|fwd|out|nat)[a-z]*[46]?_?[^ ]*) \{\n")


@dataclass(frozen=True, slots=True)
class Fault:
    name: str
    plant: Edit


def one(pattern: str, change: Callable[[re.Match[str], Random], str | None]) -> Edit:
    """An edit of one place, by chance, among those that a pattern finds."""

    def plant(text: str, rng: Random) -> str | None:
        found = list(re.finditer(pattern, text, re.MULTILINE))
        rng.shuffle(found)
        for match in found:
            new = change(match, rng)
            if new is not None and new != match.group():
                return text[: match.start()] + new + text[match.end() :]
        return None

    return plant


def gone(pattern: str) -> Edit:
    return one(pattern, lambda match, rng: "")


def all_gone(pattern: str) -> Edit:
    """Wherever it stands."""

    def plant(text: str, rng: Random) -> str | None:
        new = re.sub(pattern, "", text, flags=re.MULTILINE)
        return None if new == text else new

    return plant


def to(pattern: str, replacement: str) -> Edit:
    return one(pattern, lambda match, rng: match.expand(replacement))


# --- in look-ups ---------------------------------------------------------------------------------


def _element_gone(text: str, rng: Random) -> str | None:
    """Not from the sets of devices and people, which are empty anyway."""
    lines = text.split("\n")
    places = [n for n, line in enumerate(lines) if re.match(r" {12}\S.*,$", line)]
    if not places:
        return None
    del lines[rng.choice(places)]
    return "\n".join(lines)


def _swapped_ends(match: re.Match[str], rng: Random) -> str | None:
    """Two elements of one verdict map lead where the other should."""
    elements = match.group(2).split(",")
    ends = [re.search(r": goto \S+", element) for element in elements]
    pairs = [
        (a, b)
        for a in range(len(ends))
        for b in range(a)
        if ends[a] and ends[b] and ends[a].group() != ends[b].group()  # type: ignore[union-attr]
    ]
    if not pairs:
        return None
    a, b = rng.choice(pairs)
    one_end, other = ends[a], ends[b]
    assert one_end is not None and other is not None
    elements[a] = elements[a].replace(one_end.group(), other.group())
    elements[b] = elements[b].replace(other.group(), one_end.group())
    return match.group(1) + ",".join(elements) + match.group(3)


def _wider(match: re.Match[str], rng: Random) -> str | None:
    network = ip_network(match.group(1))
    return str(network.supernet()) if network.prefixlen > 4 else None


def _narrower(match: re.Match[str], rng: Random) -> str | None:
    network = ip_network(match.group(1))
    return str(next(network.subnets())) if network.prefixlen < network.max_prefixlen else None


def _later_end(match: re.Match[str], rng: Random) -> str | None:
    try:
        low, high = ip_address(match.group(1)), ip_address(match.group(2))
    except ValueError:  # hardware addresses
        return None
    other = int(high) + rng.choice((-1, 1))
    if not int(low) < other < 1 << high.max_prefixlen:
        return None
    return f"{low}-{type(high)(other)}"


def _other_port(match: re.Match[str], rng: Random) -> str | None:
    return f"{match.group(1)} . {int(match.group(2)) + rng.choice((-1, 1))}"


def _other_hardware(match: re.Match[str], rng: Random) -> str | None:
    last = int(match.group(2), 16) ^ 0x10
    return f"{match.group(1)}{last:02x}{match.group(3)}"


def _member(match: re.Match[str], rng: Random) -> str | None:
    """A set of addresses has a neighbour for one of its members."""
    members = match.group(2).split(",\n")
    places = [n for n, m in enumerate(members) if re.fullmatch(r"\s*[0-9a-f.:]+\s*", m)]
    if not places:
        return None
    place = rng.choice(places)
    address = ip_address(members[place].strip())
    steps = [step for step in (-1, 1) if 0 <= int(address) + step < 1 << address.max_prefixlen]
    members[place] = members[place].replace(str(address), str(address + rng.choice(steps)))
    return match.group(1) + ",\n".join(members) + match.group(3)


# --- rules and chains ----------------------------------------------------------------------------


def _chains(text: str) -> Iterator[tuple[int, int, list[str]]]:
    """The chains of decisions: where their rules stand, and the rules, each with all its lines."""
    for match in DECISIONS.finditer(text):
        end = text.index("\n    }\n", match.end()) + 1
        body = text[match.end() : end]
        rules = re.findall(r"^ {8}\S.*\n(?: {12}.*\n)*(?: {8}\}.*\n)?", body, re.MULTILINE)
        rules = [rule for rule in rules if not rule.startswith("        comment")]
        start = match.end() + body.index(rules[0])
        assert "".join(rules) == text[start:end]
        yield start, end, rules


def _in_a_chain(change: Callable[[list[str], Random], bool]) -> Edit:
    def plant(text: str, rng: Random) -> str | None:
        found = [(start, end, rules) for start, end, rules in _chains(text) if len(rules) > 2]
        rng.shuffle(found)
        for start, end, rules in found:
            if change(rules, rng):
                return text[:start] + "".join(rules) + text[end:]
        return None

    return plant


def _rule_gone(rules: list[str], rng: Random) -> bool:
    del rules[rng.randrange(len(rules))]
    return True


def _rules_swapped(rules: list[str], rng: Random) -> bool:
    place = rng.randrange(len(rules) - 1)
    rules[place], rules[place + 1] = rules[place + 1], rules[place]
    return True


def _rule_twice(rules: list[str], rng: Random) -> bool:
    """A rule stands a second time, at the top."""
    rules.insert(0, rules[rng.randrange(1, len(rules))])
    return True


def _first(chain: str, rule: str) -> Edit:
    """A rule of somebody else's at the top of a base chain."""
    return one(
        rf"(    chain {chain} \{{\n        type .*\n)",
        lambda match, rng: f"{match.group(1)}        {rule}\n",
    )


def _swapped_entrances(match: re.Match[str], rng: Random) -> str | None:
    pairs = [part.strip().split(" : ") for part in match.group(1).split(",")]
    if len(pairs) < 2:
        return None
    a, b = rng.sample(range(len(pairs)), 2)
    pairs[a][1], pairs[b][1] = pairs[b][1], pairs[a][1]
    return match.group().replace(match.group(1), ", ".join(" : ".join(pair) for pair in pairs))


def _other_counter(match: re.Match[str], rng: Random) -> str | None:
    return match.group().replace(f"name {match.group(1)}", "name nc_row_default")


def _open_end(text: str, rng: Random) -> str | None:
    """A hook whose end is missing and whose policy lets."""
    end = "        goto nc_stray\n    }\n    chain nc_output {"
    if end not in text:
        return None
    text = text.replace(end, "    }\n    chain nc_output {")
    return text.replace(
        "hook forward priority filter; policy drop;", "hook forward priority filter;"
    )


def _elsewhere(match: re.Match[str], rng: Random) -> str | None:
    address = ip_address(match.group(2)) + rng.choice((-1, 1))
    return f"{match.group(1)}{address}{match.group(3)}"


def _one_network_less(match: re.Match[str], rng: Random) -> str | None:
    networks = match.group(1).split(", ")
    if len(networks) < 2:
        return None
    networks.remove(rng.choice(networks))
    return match.group().replace(match.group(1), ", ".join(networks))


def _halves(match: re.Match[str], rng: Random) -> str | None:
    network = ip_network(match.group(2))
    if network.prefixlen == network.max_prefixlen:
        return None
    low, high = network.subnets()
    return f"{match.group(1)}{low}, {high}{match.group(3)}"


PREFIX = r"(?<![\w.:])((?:\d+\.\d+\.\d+\.\d+|[0-9a-f:]*::)/\d+)"
LONE_PREFIX = rf"^( {{12}}){PREFIX}(,?)$"
FROM_TO = r"(?<![\w.:])([\d.]{7,}|[0-9a-f:]*:[0-9a-f:]*)-([\d.]{7,}|[0-9a-f:]*:[0-9a-f:]+)(?![\w.])"
NET_SET = r"(    set nc_(?:own|self|many|kept|addr)[46]\S* \{\n[^}]*elements = \{\n)([^}]*)(\})"

FAULTS: tuple[Fault, ...] = (
    Fault("an element is missing", _element_gone),
    Fault(
        "two verdicts are exchanged", one(r"(vmap \{)([^}]*goto nc_row[^}]*)(\})", _swapped_ends)
    ),
    Fault("a prefix is one bit too wide", one(PREFIX, _wider)),
    Fault("a prefix is one bit too narrow", one(PREFIX, _narrower)),
    Fault("a range ends one address too early or late", one(FROM_TO, _later_end)),
    Fault("a port is off by one", one(r"\b(tcp|udp) \. (\d+)", _other_port)),
    Fault(
        "a hardware address is another",
        one(r"((?:[0-9a-f]{2}:){5})([0-9a-f]{2})()", _other_hardware),
    ),
    Fault("a set has a wrong member", one(NET_SET, _member)),
    Fault("a rule is missing", _in_a_chain(_rule_gone)),
    Fault("two rules stand in the other order", _in_a_chain(_rules_swapped)),
    Fault("a rule stands a second time, first", _in_a_chain(_rule_twice)),
    Fault("the hook's end is missing", _open_end),
    Fault("translated packets are not looked at", gone(r"^ {8}ct status dnat goto nc_offers\n")),
    Fault(
        "a decision counts as another",
        one(r"^ {8}counter name (nc_row_(?!default)\S+).*$", _other_counter),
    ),
    Fault("nothing is masqueraded", gone(r"^ {8}oifname \{ .* masquerade\n")),
    Fault(
        "one area is not masqueraded",
        one(r"oifname \{[^}]*\} ip saddr \{ ([^}]*) \} masquerade", _one_network_less),
    ),
    Fault("a hairpin keeps its source", all_gone(r"^ {8}oifname .* ct status dnat masquerade.*\n")),
    Fault(
        "a family is forgotten",
        to(r"ipv4 : goto (nc_(?:in|fwd|out)4_\S+), ipv6 : goto \S+", r"ipv4 : goto \1"),
    ),
    Fault(
        "two entrances are exchanged",
        one(r"iifname vmap \{ ([^}]*goto nc_(?:in|fwd)_[^}]*) \}", _swapped_entrances),
    ),
    Fault("what is let is dropped", to(r"^( {8}ct mark set .*\n) {8}accept$", r"\1        drop")),
    Fault(
        "what is dropped is let",
        to(r"^( {8}counter name nc_row_.*\n) {8}drop$", r"\1        accept"),
    ),
    Fault(
        "what is answered is dropped",
        to(r"^( {8}counter name nc_row_.*\n) {8}goto nc_refuse$", r"\1        drop"),
    ),
    Fault(
        "another error is answered",
        to(r"icmpx type admin-prohibited", "icmpx type port-unreachable"),
    ),
    Fault("TCP gets no reset", gone(r"^ {8}meta l4proto tcp counter reject with tcp reset\n")),
    Fault("a line gets answers", gone(r"^ {8}iifname \{[^}]*\} drop\n")),
    Fault("the limit is turned", to(r"limit rate over 200/second", "limit rate 200/second")),
    Fault("invalid packets pass", to(r"invalid : goto nc_invalid", "invalid : accept")),
    Fault(
        "a message is tracked",
        to(r"icmp type \{ (\d+), ([^}]*) \} notrack", r"icmp type { \2 } notrack"),
    ),
    Fault("an inside address is shown", gone(r"^ {8}ct state untracked .* goto nc_invalid\n")),
    Fault(
        "a delivery goes elsewhere", one(r"(dnat ip to )([\d.]+)((?::\d+)? comment)", _elsewhere)
    ),
    Fault(
        "a delivery has another port",
        one(r"(dnat ip to [\d.]+:)(\d+)", lambda m, r: f"{m.group(1)}{int(m.group(2)) + 1}"),
    ),
    Fault(
        "an offer is known by another number",
        to(r"ct mark and 0x0ffff000 == 0x0001", "ct mark and 0x0ffff000 == 0x000f"),
    ),
    Fault("hours are not asked", gone(r"[io]ifname (?:!= )?@nc_(?:open|rest)_\S+ ")),
    Fault("hours are asked the other way", to(r"([io]ifname) @nc_open_", r"\1 != @nc_open_")),
    Fault(
        "anybody counts as one of the people",
        to(r"saddr \. ether saddr @nc_who([46])_\S+", r"saddr . ether saddr @nc_signed\1"),
    ),
    Fault(
        "everybody counts as signed in",
        gone(r"iifname \. ip6? saddr \. ether saddr != @nc_signed[46] "),
    ),
    Fault(
        "an unknown address is not recognised",
        gone(r"^ {8}ip6? daddr != @nc_(?:own|self)[46] fib daddr type local goto nc_.*\n"),
    ),
    Fault("another message counts as echo", to(r"icmp type \{ 8 \}", "icmp type { 13 }")),
    Fault("a prefix is let first", _first("nc_forward", "ip saddr 10.0.0.0/9 accept")),
    Fault("a source port is let first", _first("nc_forward", "udp sport 53 accept")),
    Fault("something nobody can tell decides", _first("nc_input", "meta cpu 1 accept")),
    Fault(
        "another chain drops before",
        to(
            r"^    chain nc_forward \{\n",
            "    chain nc_before {\n        type filter hook forward priority filter - 10; policy accept;\n        tcp dport 443 drop\n    }\n    chain nc_forward {\n",
        ),
    ),
)

# What changes the text and nothing else.
HARMLESS: tuple[Fault, ...] = (
    Fault(
        "a policy that is never reached lets",
        to(r"forward priority filter; policy drop", "forward priority filter; policy accept"),
    ),
    Fault("comments are gone", lambda text, rng: re.sub(r' comment "[^"]*"(?=\n)', "", text)),
    Fault("a prefix stands in two halves", one(LONE_PREFIX, _halves)),
    Fault(
        "a rule asks once more what is known",
        to(r"^( {8})ip daddr @nc_many4", r"\1meta nfproto ipv4 ip daddr @nc_many4"),
    ),
)
