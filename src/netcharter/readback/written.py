"""Where rules, chains and sets stand in a ruleset that was written as text.

What a rule means is read from the kernel's own listing; this scan only finds the line of a rule by
its table, its chain and its place there. It follows the tokens of nft's grammar (nft(8)) as far as
that needs. Where a text changes chains in ways that are not followed (`replace`, `delete rule`,
places given by handle, names made of variables), the chain is told instead of the rule.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from netcharter.diagnostics import Span

Key = tuple[str, str, str]  # family, table, name of the chain or set

FAMILIES = frozenset({"ip", "ip6", "inet", "arp", "bridge", "netdev"})
_TOKEN = re.compile(r'"[^"]*"|#[^\n]*|\\\r?\n|\n|[{};]|[^\s{}";#\\]+|[\\"]')
_WORDS = re.compile(r"[A-Za-z0-9_./-]+")
_VERBS = frozenset("add create insert replace delete destroy flush".split())
_OBJECTS = frozenset("set map counter quota limit flowtable secmark synproxy ct".split())
_SPEC = frozenset("type policy flags devices device comment define".split())
_MOST = 200_000  # rules that places are kept for


@dataclass(frozen=True, slots=True)
class Token:
    """A word, a quoted string, a brace, or the end of a statement (`;`)."""

    text: str
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class Written:
    """The places found: of every rule of a chain in the order the kernel has them, of what has a
    name. `unsure`: chains whose rules can't be told apart by their places.
    """

    rules: Mapping[Key, Sequence[Span]]
    chains: Mapping[Key, Span]
    sets: Mapping[Key, Span]
    tables: Mapping[tuple[str, str], Span]
    unsure: frozenset[Key] = frozenset()

    def rule(self, chain: Key, number: int, count: int) -> Span | None:
        """The place of rule `number` (from 1) of a chain that has `count` rules, else the chain's,
        else its table's."""
        found = self.rules.get(chain, ())
        if chain not in self.unsure and len(found) == count and 1 <= number <= count:
            return found[number - 1]
        return self.chain(chain)

    def chain(self, chain: Key) -> Span | None:
        return self.chains.get(chain) or self.tables.get(chain[:2])


def tokens(text: str) -> Iterator[Token]:
    """The tokens of a ruleset, comments left out. Quotes and comments end where nft ends them."""
    for match in _TOKEN.finditer(text):
        word = match.group()
        if word[0] == "#" or (word[0] == "\\" and len(word) > 1):
            continue
        yield Token(";" if word == "\n" else word, match.start(), match.end())


def without_comments(text: str) -> str:
    """The same text, each comment exchanged for blanks: nothing in one can be taken for a command."""

    def blank(match: re.Match[str]) -> str:
        word = match.group()
        return " " * len(word) if word[0] == "#" else word

    return _TOKEN.sub(blank, text)


def includes(text: str) -> tuple[int, int] | None:
    """Where the first `include` stands outside comments and quotes, or None."""
    for token in tokens(text):
        if token.text[0] != '"' or token.text == '"':
            for word in _WORDS.finditer(token.text):
                if word.group() == "include":
                    return token.start + word.start(), token.start + word.end()
    return None


def written(text: str, file: str) -> Written:
    """The places of all rules, chains and sets of a text. Never fails: what is no ruleset has none."""
    return _Scan(text, file).all()


class Places:
    """Offsets of one text as spans."""

    def __init__(self, text: str, file: str) -> None:
        self.file = file
        self._starts = [0, *(m.end() for m in re.finditer("\n", text))]

    def span(self, start: int, end: int) -> Span:
        (line, column), (end_line, end_column) = self._place(start), self._place(max(end, start))
        return Span(self.file, line, column, end_line, end_column)

    def _place(self, offset: int) -> tuple[int, int]:
        line = bisect_right(self._starts, offset)
        return line, offset - self._starts[line - 1] + 1


@dataclass(slots=True)
class _Found:
    rules: dict[Key, list[Span]] = field(default_factory=dict)
    chains: dict[Key, Span] = field(default_factory=dict)
    sets: dict[Key, Span] = field(default_factory=dict)
    tables: dict[tuple[str, str], Span] = field(default_factory=dict)
    unsure: set[Key] = field(default_factory=set)
    count: int = 0


class _Scan:
    """One pass over the tokens of a text."""

    def __init__(self, text: str, file: str) -> None:
        self._tokens = tokens(text)
        self._token = next(self._tokens, None)
        self._places = Places(text, file)
        self._found = _Found()

    def all(self) -> Written:
        while self._token is not None:
            self._command(self._head())
        found = self._found
        rules = {key: tuple(spans) for key, spans in found.rules.items()}
        return Written(rules, found.chains, found.sets, found.tables, frozenset(found.unsure))

    # ---- tokens ----

    def _peek(self) -> str:
        return "" if self._token is None else self._token.text

    def _next(self) -> Token:
        token = self._token
        assert token is not None
        self._token = next(self._tokens, None)
        return token

    def _pass_over(self, word: str) -> None:
        if self._peek() == word:
            self._next()

    def _head(self) -> list[Token]:
        """The words up to the end of a statement or the brace that opens its block."""
        words: list[Token] = []
        while self._peek() not in ("", "{", ";", "}"):
            words.append(self._next())
        return words

    def _skip(self) -> None:
        """To the end of the statement, over whatever its braces hold."""
        self._rest(0)

    def _rest(self, end: int) -> int:
        """Go on to the end of a statement (not past the brace that closes its block); where the
        last token of it ends."""
        depth = 0
        while word := self._peek():
            if depth == 0 and word in (";", "}"):
                break
            depth += {"{": 1, "}": -1}.get(word, 0)
            token = self._next()
            end = token.end if token.text != ";" else end
        self._pass_over(";")
        return end

    # ---- commands ----

    def _command(self, head: list[Token]) -> None:
        words = [_plain(token) for token in head]
        verb = "add"
        if words and words[0] in _VERBS:
            verb, head, words = words[0], head[1:], words[1:]
        if not words or len(words) < 2:
            if verb == "flush" and words == ["ruleset"]:
                self._found = _Found()
            self._pass()
            return
        kind, family, names = words[0], *_family(words[1:])
        if verb in ("delete", "destroy", "flush", "replace"):
            self._take_away(verb, kind, family, names)
            self._pass()
        elif kind == "table" and len(names) == 1:
            self._table(head, family, names[0])
        elif kind == "rule" and len(names) >= 3:
            self._rule_command(verb, head, family, names)
        elif kind == "chain" and len(names) == 2:
            self._chain(head, (family, names[0], names[1]))
        else:
            self._pass()

    def _pass(self) -> None:
        if self._peek() == "}":
            self._next()
        else:
            self._skip()

    def _take_away(self, verb: str, kind: str, family: str, names: list[str]) -> None:
        found = self._found
        if kind == "table" and names:
            for key in [key for key in found.rules if key[:2] == (family, names[0])]:
                del found.rules[key]
                if verb != "flush":
                    found.unsure.discard(key)
        elif kind == "chain" and len(names) >= 2:
            key = (family, names[0], names[1])
            found.rules.pop(key, None)
            found.unsure.discard(key)
        elif kind == "rule" and len(names) >= 2:
            found.unsure.add((family, names[0], names[1]))

    def _rule_command(self, verb: str, head: list[Token], family: str, names: list[str]) -> None:
        key = (family, names[0], names[1])
        start, end = head[0].start, self._rest(head[-1].end)
        span = self._places.span(start, end)
        if names[2] in ("handle", "position"):
            self._found.unsure.add(key)
        elif names[2] == "index" and len(names) > 3 and names[3].isdigit():
            place = int(names[3]) + (0 if verb == "insert" else 1)
            self._keep(key, span, place)
        else:
            self._keep(key, span, 0 if verb == "insert" else None)

    def _keep(self, key: Key, span: Span, place: int | None) -> None:
        self._found.count += 1
        if self._found.count > _MOST:
            self._found.unsure.add(key)
            return
        rules = self._found.rules.setdefault(key, [])
        rules.insert(len(rules) if place is None else place, span)

    # ---- blocks ----

    def _table(self, head: list[Token], family: str, name: str) -> None:
        span = self._places.span(head[0].start, head[-1].end)
        self._found.tables.setdefault((family, name), span)
        if self._peek() != "{":
            self._pass()
            return
        self._next()
        while self._peek() not in ("", "}"):
            self._part(self._head(), family, name)
        self._pass_over("}")

    def _part(self, head: list[Token], family: str, table: str) -> None:
        """One statement of a table's block: a chain, a set, or what is passed over."""
        words = [_plain(token) for token in head]
        if len(words) == 2 and words[0] == "chain":
            self._chain(head, (family, table, words[1]))
            return
        if len(words) == 2 and words[0] in _OBJECTS and self._peek() == "{":
            span = self._places.span(head[0].start, head[-1].end)
            self._found.sets.setdefault((family, table, words[1]), span)
        self._skip()

    def _chain(self, head: list[Token], key: Key) -> None:
        self._found.chains.setdefault(key, self._places.span(head[0].start, head[-1].end))
        if self._peek() != "{":
            self._skip()
            return
        self._next()
        while self._peek() not in ("", "}"):
            self._statement(key)
        self._pass_over("}")

    def _statement(self, key: Key) -> None:
        if self._peek() in (";", "{"):
            self._skip()
            return
        first = self._next()
        if _plain(first) in _SPEC:
            self._skip()
        else:
            end = self._rest(first.end)
            self._keep(key, self._places.span(first.start, end), None)


def _plain(token: Token) -> str:
    return token.text.strip('"')


def _family(words: list[str]) -> tuple[str, list[str]]:
    """The family (nft takes `ip` for unsaid) and the words after it."""
    return (words[0], words[1:]) if words[0] in FAMILIES else ("ip", words)
