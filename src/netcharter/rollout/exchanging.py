"""A table of ours exchanged in five transactions, so that no packet meets a set that is new.

Within one transaction a set of concatenated ranges takes effect a moment after the rules that ask
it (Linux 6.18, `nft_pipapo_commit`), and the verdict maps of rules that go are empty a moment
before those rules are (`nft_map_deactivate`). So what is new is put in place before anybody asks
it, and nothing goes that a packet may still be on its way through:

1. All that is new comes under other names (`nx_` for `nc_`), base chains as plain ones.
2. Every base chain leads to its namesake, before its old rules. One that is not in both comes now,
   or lets all pass from now on, which is as good as none. From here on the new filter counts.
3. The old rules and all they led to go; the new things come under their own names.
4. The base chains get their own rules, which lead to those.
5. What has the other names goes.

After each of them the filter is the old one or the new one. Each fails as a whole where the one
before it has not been done, in whatever order they are tried.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from netcharter.rollout.escape import Unsayable, set_name

OURS, OTHER = "nc_", "nx_"  # how names begin, and how they do meanwhile
READY = f"{OTHER}ready"  # a chain that tells that the third transaction has been done
GOING = ("map", "set", "chain", "counter")  # in this order: what leads to another goes first

_TOKEN = re.compile(r'"[^"\n]*"|#[^\n]*|[{};,\n]|[^\S\n]+|[^\s{};,"#]+')
_LEADS = frozenset({"jump", "goto", "name"})  # the next word is a name of the table's
_OBJECTS = re.compile(r":\s*(?:counter|quota|limit|ct|secmark|synproxy)\b")  # a map leads to
_LETS = "policy accept"
_HEADS = frozenset({"type", "policy"})  # what a base chain may say of itself
_UNKNOWN = frozenset({"comment", "flags", "device", "devices"})  # and what none of ours says


class _Another(ValueError):
    """Text in which not every name is surely told from other words."""


@dataclass(frozen=True, slots=True)
class _Thing:
    """What a table holds. body: the tokens between its braces."""

    kind: str
    name: str
    body: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Chain:
    """A base chain. heads: what it says of itself, the hook first; rules: each as its tokens."""

    heads: tuple[str, ...]
    rules: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class _Read:
    """A table of ours: its base chains, all else in it, and the names of the latter."""

    bases: dict[str, _Chain]
    others: tuple[_Thing, ...]
    names: frozenset[str]


def meanwhile(name: str) -> str:
    """What a thing of ours is called between the first and the last transaction."""
    return OTHER + name.removeprefix(OURS)


def stages(
    table: str, old: str, new: str, first: Iterable[str], later: Iterable[str]
) -> tuple[str, ...]:
    """The five texts for `nft -f -`, or none where it has to be one transaction: base chains hang
    elsewhere, or one that is not in both refuses, somebody was stopped in between, or a text says
    what is not known here.

    table: family and name, safe to write; old, new: listings of it; first, later: lines that add
    elements under the other names and under their own.
    """
    try:
        before, after = _read(old), _read(new)
        if not before.bases or not _alike(before, after):
            return ()
        if READY in {meanwhile(name) for name in after.names | set(after.bases)}:
            return ()
        return tuple(
            "".join(lines)
            for lines in (
                [*_block(table, _copies(after)), *first],
                _turned(table, before, after),
                [*_in_place(table, before, after), *later],
                _led(table, after),
                _gone(table, [_Thing(t.kind, meanwhile(t.name), ()) for t in _all(after)]),
            )
        )
    except (_Another, Unsayable):
        return ()


# --- reading -------------------------------------------------------------------------------------


def _read(text: str) -> _Read:
    bases: dict[str, _Chain] = {}
    others: list[_Thing] = []
    for thing in _things(_tokens(text)):
        set_name(thing.name)
        if thing.kind not in GOING or not thing.name.startswith(OURS):
            raise _Another(f"{thing.kind} {thing.name}")
        base = _base(thing) if thing.kind == "chain" else None
        if base is None:
            others.append(thing)
        else:
            bases[thing.name] = base
        if thing.kind == "map" and _OBJECTS.search("".join(thing.body)):
            raise _Another(thing.name)
    return _Read(bases, tuple(others), frozenset(thing.name for thing in others))


def _tokens(text: str) -> list[str]:
    """All of a text but for remarks."""
    found = _TOKEN.findall(text)
    if "".join(found) != text:
        raise _Another("a quoted string does not end")
    return [token for token in found if token[0] != "#"]


def _things(tokens: Sequence[str]) -> Iterator[_Thing]:
    """What stands in the braces of a table, which may say a comment besides."""
    inside = tokens[tokens.index("{") + 1 :] if "{" in tokens else []
    for words, body in _statements(inside):
        if not body and words[:1] != ["comment"]:
            raise _Another(" ".join(words))
        if body:
            yield _Thing(" ".join(words[:-1]), words[-1] if words else "", tuple(body[1:-1]))


def _statements(tokens: Iterable[str]) -> Iterator[tuple[list[str], list[str]]]:
    """Up to the brace that closes what stands around them: the words before the braces of each,
    and its braces with all that is between them; what stands behind them belongs to the next."""
    words: list[str] = []
    body: list[str] = []
    depth = 0
    for token in tokens:
        depth += (token == "{") - (token == "}")
        if depth < 0:
            break
        if depth or body:
            body.append(token)
        elif token in ("\n", ";"):
            if words:
                yield words, body
            words = []
        elif not token.isspace():
            words.append(token)
        if body and not depth:
            yield words, body
            words, body = [], []
    if words:
        yield words, body


def _rules(tokens: Iterable[str]) -> Iterator[tuple[str, ...]]:
    """What a chain says, each as its tokens; line ends within braces are part of it."""
    found: list[str] = []
    depth = 0
    for token in [*tokens, "\n"]:
        depth += (token == "{") - (token == "}")
        if token in ("\n", ";") and not depth:
            if "".join(found).strip():
                yield tuple(found)
            found = []
        else:
            found.append(token)


def _base(thing: _Thing) -> _Chain | None:
    said = [(_said(rule), rule) for rule in _rules(thing.body)]
    if not any(words.startswith("type ") for words, _ in said):
        return None
    heads = sorted((words for words, _ in said if words.split()[0] in _HEADS), reverse=True)
    rules = tuple(rule for words, rule in said if words.split()[0] not in _HEADS)
    for rule in rules:
        if _said(rule).split()[0] in _UNKNOWN or _concatenated(rule):
            raise _Another(thing.name)
    return _Chain(tuple(heads), rules)


def _said(rule: Sequence[str]) -> str:
    return " ".join("".join(rule).split())


def _concatenated(rule: Sequence[str]) -> bool:
    """Whether a rule brings a set of concatenations of its own: new in the very transaction in
    which it is asked, wherever it stands in a base chain."""
    depth = 0
    for token in rule:
        depth += (token == "{") - (token == "}")
        if depth and token == ".":
            return True
    return False


def _alike(old: _Read, new: _Read) -> bool:
    """Whether base chains of both say the same of themselves, and those of one let all pass that
    their rules don't decide: they hang there before their rules count, and a little longer."""
    both = old.bases.keys() & new.bases.keys()
    either = {**old.bases, **new.bases}
    return all(old.bases[name].heads == new.bases[name].heads for name in both) and all(
        _LETS in either[name].heads for name in either.keys() - both
    )


def _all(read: _Read) -> Iterator[_Thing]:
    """All that comes under the other names."""
    yield from read.others
    yield from (_Thing("chain", name, ()) for name in read.bases)


# --- writing -------------------------------------------------------------------------------------


def _renamed(tokens: Iterable[str], names: frozenset[str]) -> str:
    """Text in which every name of the table's is the other one; what is quoted is one only behind
    a word that says so (a comment, a prefix of a log or a device may be called like one)."""
    found: list[str] = []
    last = ""
    for token in tokens:
        if token.isspace():
            found.append(token)
            continue
        quoted, word = token[0] == '"', token.strip('"').removeprefix("@")
        if token[0] == "@" or last in _LEADS:
            if word not in names:
                raise _Another(token)
            token = token.replace(OURS, OTHER, 1)
        elif not quoted and word.startswith((OURS, OTHER)):
            raise _Another(token)
        found.append(token)
        last = token
    return "".join(found)


def _block(table: str, lines: Iterable[str]) -> Iterator[str]:
    yield f"table {table} {{\n"
    yield from lines
    yield "}\n"


def _written(kind: str, name: str, body: str) -> str:
    return f"\t{kind} {name} {{\n\t\t{body.strip()}\n\t}}\n"


def _copies(new: _Read) -> Iterator[str]:
    for thing in new.others:
        yield _written(thing.kind, meanwhile(thing.name), _renamed(thing.body, new.names))
    for name, chain in new.bases.items():
        rules = "\n\t\t".join(_renamed(rule, new.names).strip() for rule in chain.rules)
        yield _written("chain", meanwhile(name), rules)


def _turned(table: str, old: _Read, new: _Read) -> Iterator[str]:
    """A chain that ends after `goto` leaves it to the policy, as it does in its own place."""
    for name, chain in new.bases.items():
        if name in old.bases:
            yield f"insert rule {table} {name} goto {meanwhile(name)}\n"
        else:
            said = f"{'; '.join(chain.heads)};\n\t\tgoto {meanwhile(name)}"
            yield from _block(table, [_written("chain", name, said)])
    yield from (f"insert rule {table} {name} accept\n" for name in _leaving(old, new))


def _leaving(old: _Read, new: _Read) -> list[str]:
    return [name for name in old.bases if name not in new.bases]


def _in_place(table: str, old: _Read, new: _Read) -> Iterator[str]:
    for name in new.bases:
        yield f"flush chain {table} {name}\n"
        yield f"add rule {table} {name} goto {meanwhile(name)}\n"
    leaving = [_Thing("chain", name, ()) for name in _leaving(old, new)]
    yield from _gone(table, [*old.others, *leaving])
    things = (_written(each.kind, each.name, "".join(each.body)) for each in new.others)
    yield from _block(table, things)
    yield f"create chain {table} {READY}\n"


def _led(table: str, new: _Read) -> Iterator[str]:
    yield f"delete chain {table} {READY}\n"
    for name, chain in new.bases.items():
        yield f"flush chain {table} {name}\n"
        rules = ["".join(rule).strip() for rule in chain.rules]
        yield from _block(table, [_written("chain", name, "\n\t\t".join(rules))] if rules else ())


def _gone(table: str, things: Sequence[_Thing]) -> Iterator[str]:
    """Rules first, since they lead to all else."""
    yield from (f"flush chain {table} {each.name}\n" for each in things if each.kind == "chain")
    for kind in GOING:
        yield from (f"delete {kind} {table} {each.name}\n" for each in things if each.kind == kind)
