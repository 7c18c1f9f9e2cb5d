"""One table of nftables as a small, stupid model, and tables drawn by lot.

The model takes the text of whole transactions as `nft -f` does, line by line, and shares nothing
with the code under test. What the kernel refuses it refuses: a thing that is missing, a thing to be
deleted that another leads to still (`test_exchanging_kernel` has both do the same). What a packet
meets is told by `effective`, in which names count for nothing.
"""

from __future__ import annotations

import re
from copy import deepcopy
from dataclasses import dataclass, field
from random import Random

TABLE = "inet netcharter"
HOOKS = {
    "nc_forward": "type filter hook forward priority filter; policy drop;",
    "nc_input": "type filter hook input priority filter; policy accept;",
    "nc_prerouting_nat": "type nat hook prerouting priority dstnat; policy accept;",
}
_LEADS = re.compile(r'(?:(?:jump|goto|counter name) |@)"?([\w.-]+)"?')
_MARKS = re.compile(r'(?:comment|prefix|iifname) "[^"]*"|"nc_eth\d" :')  # quoted, and no name


class Refused(AssertionError):
    """What the kernel would not do; nothing of its transaction has been done."""


@dataclass
class Thing:
    """hook: of a base chain; lines: its rules, or whatever else it says; living: its elements with
    a time limit, with milliseconds."""

    kind: str
    hook: str = ""
    lines: list[str] = field(default_factory=list)
    living: dict[str, int] = field(default_factory=dict)


class Loaded:
    """A table by the names of what is in it; sets and maps share theirs with each other."""

    def __init__(self) -> None:
        self.things: dict[tuple[str, str], Thing] = {}

    def load(self, text: str) -> None:
        """Raises Refused, and is as it was before."""
        before = deepcopy(self.things)
        try:
            self._load(text.splitlines())
            self._whole()
        except (Refused, KeyError) as problem:
            self.things = before
            raise Refused(str(problem)) from None

    def _load(self, lines: list[str]) -> None:
        where: Thing | None = None
        for line in lines:
            words = line.split()
            if line in (f"table {TABLE} {{", "}") or not words:
                continue
            if where is None and words[0] == "comment":
                continue
            if words[-1] == "{" and words[0] in ("chain", "set", "map", "counter"):
                where = self.things.setdefault((words[0], words[1]), Thing(words[0]))
            elif words == ["}"]:
                where = None
            elif where is not None:
                self._says(where, " ".join(words))
            else:
                self._command(line, words)

    def _says(self, thing: Thing, said: str) -> None:
        if said.startswith("type ") and thing.kind == "chain":
            thing.hook = said
        elif thing.kind == "chain" or said not in thing.lines:
            thing.lines.append(said)

    def _command(self, line: str, words: list[str]) -> None:
        verb, kind = words[:2]
        if line == f"table {TABLE}":
            return
        assert words[2:4] == TABLE.split(), line
        name = words[4] if len(words) > 4 else ""
        if (verb, kind) == ("flush", "table"):
            for thing in self.things.values():
                thing.lines = thing.lines if thing.kind != "chain" else []
        elif (verb, kind) == ("flush", "chain"):
            self.things[kind, name].lines = []
        elif verb in ("insert", "add") and kind == "rule":
            rules = self.things["chain", name].lines
            rules.insert(0 if verb == "insert" else len(rules), " ".join(words[5:]))
        elif (verb, kind) == ("create", "chain"):
            if ("chain", name) in self.things:
                raise Refused(line)
            self.things["chain", name] = Thing("chain")
        elif (verb, kind) == ("delete", "table"):
            self.things = {}
        elif verb == "delete":
            self._delete(kind, name)
        elif (verb, kind) == ("add", "element"):
            found = self.things.get(("set", name)) or self.things["map", name]
            for text in line.split("{ ")[1].removesuffix(" }").split(", "):
                key, _, left = text.partition(" timeout ")
                found.living[key] = int(re.match(r"(\d+)ms", left)[1])  # type: ignore[index]
        else:
            raise AssertionError(line)

    def _delete(self, kind: str, name: str) -> None:
        self.things.pop((kind, name))  # a chain takes its rules along
        if any(name in names(other) for other in self.things.values()):
            raise Refused(f"{name} is in use")

    def _whole(self) -> None:
        known = {name for _, name in self.things}
        for thing in self.things.values():
            if not names(thing) <= known:
                raise Refused(f"{names(thing) - known} are missing")

    def effective(self) -> dict[str, tuple[object, ...]]:
        """What a packet meets in every base chain, however the things are called. One that lets all
        pass is as good as none."""
        found = {
            name: (thing.hook, self._met(_up_to_accept(thing)))
            for (_, name), thing in self.things.items()
            if thing.hook
        }
        return {n: met for n, met in found.items() if met[1] or "policy accept" not in met[0]}

    def _met(self, rules: list[str]) -> tuple[object, ...]:
        found: list[object] = []
        for rule in rules:
            if only := re.fullmatch(r"goto (\S+)", rule):
                return (*found, *self._met(self.things["chain", only[1]].lines))
            found.append((_nameless(rule), tuple(self._behind(n) for n in _named(rule))))
        return tuple(found)

    def _behind(self, name: str) -> tuple[object, ...]:
        thing = next(each for (_, n), each in self.things.items() if n == name)
        if thing.kind == "chain":
            return self._met(thing.lines)
        behind = tuple(self._behind(n) for line in thing.lines for n in _named(line))
        return (thing.kind, tuple(map(_nameless, thing.lines)), tuple(thing.living), behind)


def _up_to_accept(base: Thing) -> list[str]:
    """What stands behind an `accept` for all is met by nobody."""
    place = base.lines.index("accept") if "accept" in base.lines else len(base.lines)
    assert place == len(base.lines) or "policy accept" in base.hook
    return base.lines[:place]


def names(thing: Thing) -> set[str]:
    """What a thing leads to."""
    return {name for line in thing.lines for name in _named(line)}


def _named(line: str) -> list[str]:
    return _LEADS.findall(_MARKS.sub("", line))


def _nameless(line: str) -> str:
    """Quoted text that is no name stays as it is."""
    marks = _MARKS.findall(line)
    rest = _LEADS.sub(lambda m: m[0].replace(m[1], "NAME"), _MARKS.sub("MARK", line))
    return f"{rest} {marks}"


# --- drawn by lot --------------------------------------------------------------------------------


def drawn(rng: Random, listed: bool) -> str:
    """A table as nft lists it, or as a kit writes it. Names are the beginnings of others, and stand
    in comments, prefixes and names of devices as well."""
    quote = '"' if listed else ""
    chains = [f"nc_{stem}" for stem in ("row_a", "row_a-b", "row_a.b", "in", "refuse", "x")]
    chains = rng.sample(chains, rng.randint(2, len(chains)))
    counters = rng.sample(["nc_row_a", "nc_row_a-b", "nc_stray"], rng.randint(1, 3))
    sets = rng.sample(["nc_who4_a", "nc_who4_a2", "nc_own4"], rng.randint(1, 3))
    lines = [f"table {TABLE} {{"]
    if rng.random() < 0.5:
        lines.append('\tcomment "chain nc_x { goto nc_in }"')
    for name in counters:
        lines += [f"\tcounter {name} {{", '\t\tcomment "counter name nc_row_a; }"', "\t}"]
    for name in sets:
        lines += [f"\tset {name} {{", "\t\ttype ipv4_addr", "\t\tflags timeout"]
        lines += ["\t\tsize 100", "\t}"]
    for place, name in enumerate(chains):
        ends = chains[place + 1 :]
        lines += [f"\tchain {name} {{", *_rules(rng, ends, sets, counters, quote, False), "\t}"]
    if rng.random() < 0.7:
        ways = ", ".join(f"10.0.{n}.1 : goto {rng.choice(chains)}" for n in range(3))
        lines += ["\tmap nc_ways {", "\t\ttype ipv4_addr : verdict"]
        lines += [f"\t\telements = {{ {ways} }}", "\t}"]
        sets = [*sets, "nc_ways"]
    hooks = [name for name in HOOKS if name == "nc_forward" or rng.random() < 0.7]
    for name, hook in ((name, HOOKS[name]) for name in hooks):
        lines += [f"\tchain {name} {{", f"\t\t{hook}"]
        lines += [*_rules(rng, chains, sets, counters, quote, True), "\t}"]
    return "\n".join([*lines, "}", ""])


def _rules(
    rng: Random, ends: list[str], sets: list[str], counters: list[str], quote: str, base: bool
) -> list[str]:
    found = []
    for _ in range(rng.randint(0, 4)):
        port, name = rng.randint(1, 9), rng.choice(sets)
        kinds = [
            f'tcp dport {port} accept comment "goto nc_x, @nc_own4 # nx_x"',
            f"counter name {quote}{rng.choice(counters)}{quote}",
            'meta l4proto tcp log prefix "counter name nc_stray "',
            'iifname "nc_eth1" accept',
            f"icmp type {{ {port}, 20 }} accept",
        ]
        if name != "nc_ways":
            kinds.append(f"ip saddr @{name} accept")
        if not base:
            kinds.append(f"ip saddr . tcp dport {{ 10.0.0.0/25 . {port}-90 }} accept")
        if ends:
            end = rng.choice(ends)
            kinds += [
                f"ip saddr 10.0.0.{port} goto {end}",
                f"jump {end}",
                f'iifname vmap {{ "nc_eth2" : goto {end}, "nc_eth3" : jump {rng.choice(ends)} }}',
            ]
            if name == "nc_ways":
                kinds.append("ip saddr vmap @nc_ways")
        found.append(f"\t\t{rng.choice(kinds)}")
    if ends and rng.random() < 0.5:
        found.append(f"\t\tgoto {rng.choice(ends)}")
    return found
