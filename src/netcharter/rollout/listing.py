"""Tables of nftables as text: where their sets stand, and which elements have a time limit.

Reads what `nft list table` prints and what a kit writes. The words are taken apart as nft does it:
a quoted string knows no escapes, `#` begins a comment.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from netcharter.rollout.shapes import Element

_PARTS = re.compile(r'"[^"\n]*"|#[^\n]*|[{};,\n"\\]')
_PLAIN = re.compile(r'[^{}"#;\\]*')  # elements in which nothing is quoted or remarked
_WORDS = re.compile(r'"[^"]*"|\S+')
_HEAD = re.compile(r"table (\w+) (\S+)\Z")
_SET = re.compile(r"(?:set|map) (\S+)\Z")
_TIME = re.compile(r"(?:(\d+)d)?(?:(\d+)h)?(?:(\d+)m)?(?:(\d+)s)?(?:(\d+)ms)?\Z")
_BANNED = re.compile(r"(?:include|define|redefine|undefine)\b")
_ALONE = re.compile(r'(?<!map)(?<!=) \{ ((?:"[^"]*"|[^{},"\s]+)(?: \. (?:"[^"]*"|[^{},"\s]+))*) \}')
_BEGINS = re.compile(r"\t\w[^{}]* \{\Z")  # what a table holds, as nft prints it
_MEASURES = re.compile(r" (?:limit rate|ct count|quota) ")
_UNITS = (86400.0, 3600.0, 60.0, 1.0, 0.001)


class Unlisted(ValueError):
    """Text that is no listing of one table."""


@dataclass(slots=True)
class Set:
    """A set or map. type: its key and value types as written; span: where `elements = {...}` stands
    in the text, (0, 0) if it has none; default: it has a time limit of its own."""

    name: str
    type: str = ""
    flags: frozenset[str] = frozenset()
    default: bool = False
    span: tuple[int, int] = (0, 0)
    elements: list[str] = field(default_factory=list)

    @property
    def living(self) -> bool:
        return "timeout" in self.flags or self.default

    @property
    def passing(self) -> bool:
        """Packets fill it, without a time limit: what is in it means nothing to others."""
        return "dynamic" in self.flags and not self.living


@dataclass(slots=True)
class Block:
    """The one table of a text. end: where its closing brace ends; things: what it holds, as kind
    and name, in order; hooks: its base chains, with `type ... hook ... priority ...` of each."""

    family: str
    name: str
    sets: dict[str, Set]
    end: int
    things: list[tuple[str, str]] = field(default_factory=list)
    hooks: dict[str, str] = field(default_factory=dict)


def block(text: str) -> Block:
    """Take one table apart. Raises Unlisted where the text is anything else."""
    reader = _Reader(text)
    place = 0
    while match := _PARTS.search(text, place):
        reader.part(match)
        place = reader.plain(match.end())
    if reader.found is None or reader.opened:
        raise Unlisted("it does not end")
    if text[reader.found.end :].strip():
        raise Unlisted("something stands behind its end")
    return reader.found


class _Reader:
    """Where in a table one is: the heads of the braces that are open, and the last separator."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.found: Block | None = None
        self.opened: list[str] = []
        self.since = 0
        self.begun = 0
        self.filled: Set | None = None  # the set whose elements are read

    def plain(self, place: int) -> int:
        """Take the plain elements that stand there all at once, and tell where they end: a set may have
        hundreds of thousands."""
        if self.filled is None or len(self.opened) != 3:
            return place
        match = _PLAIN.match(self.text, place)
        end = self.text.rfind(",", place, match.end() if match else place)
        if end < 0:
            return place
        begun = self.text[self.since : place]  # of the first, and may hold a quoted comma
        first, *others = self.text[place:end].split(",")
        said = [one.strip() for one in (begun + first, *others)]
        self.filled.elements += [one for one in said if one]
        self.since = end + 1
        return self.since

    def part(self, match: re.Match[str]) -> None:
        sign = match.group()
        if sign in ('"', "\\"):
            raise Unlisted("a quoted string does not end")
        if sign[0] == '"':
            return
        said = self.text[self.since : match.start()].strip()
        if sign == "{":
            self._open(said, match)
        elif sign == "}":
            self._close(said, match)
        elif self.filled is not None and len(self.opened) == 3:
            self._element(said, sign, match)
            return
        elif said:
            self._statement(said)
        self.since = match.end()

    def _open(self, said: str, match: re.Match[str]) -> None:
        if not self.opened:
            head = _HEAD.match(said)
            if head is None or self.found is not None:
                raise Unlisted("it does not begin with a table, or has two")
            self.found = Block(head[1], head[2], {}, 0)
        elif len(self.opened) == 1:
            assert self.found is not None
            kind, _, called = said.rpartition(" ")
            self.found.things.append((kind, called))
            if named := _SET.match(said):
                self.found.sets[named[1]] = Set(named[1])
        elif len(self.opened) == 2 and said == "elements =":
            self.begun = match.start() - len(self.text[self.since : match.start()].lstrip())
        self.opened.append(said)
        if len(self.opened) == 3:
            self.filled = self._listing()

    def _close(self, said: str, match: re.Match[str]) -> None:
        if not self.opened:
            raise Unlisted("a brace closes nothing")
        if len(self.opened) == 3 and (owner := self.filled):
            owner.elements += [said] if said else []
            owner.span = (self.begun, match.end())
            self.filled = None
        elif said:
            self._statement(said)
        self.opened.pop()
        if not self.opened and self.found is not None:
            self.found.end = match.end()

    def _element(self, said: str, sign: str, match: re.Match[str]) -> None:
        """Elements are parted by commas; line ends within them mean nothing."""
        if sign == ",":
            if self.filled is not None and said:
                self.filled.elements.append(said)
            self.since = match.end()
        elif sign == ";" or sign[0] == "#":
            raise Unlisted("an element that is none")

    def _listing(self) -> Set | None:
        """The set whose elements are in the braces that are open."""
        if self.opened[2] != "elements =" or self.found is None:
            return None
        named = _SET.match(self.opened[1])
        return self.found.sets[named[1]] if named else None

    def _statement(self, said: str) -> None:
        if not self.opened or _BANNED.match(said):
            raise Unlisted(f"it says more than a table: {said[:60]}")
        if len(self.opened) != 2 or self.found is None:
            return
        if self.opened[1].startswith("chain "):
            self._hanging(self.opened[1].removeprefix("chain "), said)
        named = _SET.match(self.opened[1])
        if named is None:
            return
        owner, (word, _, rest) = self.found.sets[named[1]], said.partition(" ")
        if word in ("type", "typeof"):
            owner.type = f"{word} {' '.join(rest.split())}"
        elif word == "flags":
            owner.flags |= frozenset(rest.replace(",", " ").split())
        elif word == "timeout":
            owner.default = True

    def _hanging(self, chain: str, said: str) -> None:
        assert self.found is not None
        words = " ".join(said.split())
        if words.startswith("type ") and " hook " in words:
            self.found.hooks[chain] = words


# --- elements ------------------------------------------------------------------------------------


def seconds(text: str) -> float:
    """A time as nft writes it (`1h59m3s20ms`). Raises Unlisted."""
    found = _TIME.match(text)
    if not text or found is None:
        raise Unlisted(f"no time: {text[:60]}")
    return sum(float(n) * unit for n, unit in zip(found.groups(), _UNITS, strict=True) if n)


def parted(owner: str, text: str) -> tuple[Element, bool]:
    """An element as it is listed, and whether it has a time limit. Raises Unlisted."""
    words: list[str] = _WORDS.findall(text)
    times: dict[str, float] = {}
    kept: list[str] = []
    value: list[str] | None = None
    place = 0
    while place < len(words):
        word = words[place]
        if word in ("timeout", "expires") and place + 1 < len(words):
            times[word] = seconds(words[place + 1])
            place += 1
        elif word == ":" and value is None:
            value = []
        else:
            (kept if value is None else value).append(word)
        place += 1
    left = times.get("expires", times.get("timeout", 0.0))
    return Element(owner, " ".join(kept), left, " ".join(value or ())), bool(times)


def settled(text: str, full: str) -> tuple[str, tuple[Element, ...]]:
    """The text of a table without counts and without what comes and goes, and the latter.

    text: from `nft -s list table`; full: from `nft list table` a moment later or earlier, with the
    time that is left. Only `full` is asked for elements of sets that have a time limit.
    Raises Unlisted.
    """
    listed, counted = block(text), block(full)
    living: list[Element] = []
    pieces: list[str] = []
    place = 0
    for each in _coming(listed.sets):
        other = counted.sets.get(each.name)
        kept: list[str] = []
        if other is not None and not each.passing:
            found = [parted(each.name, element) for element in other.elements]
            living += [e for e, limited in found if limited and not _measures(each, e)]
            kept = [_joined(element) for element, limited in found if not limited]
        if each.span == (0, 0):
            continue  # whatever `full` has of it without limit came in between
        pieces += [text[place : each.span[0]], f"elements = {{ {', '.join(kept)} }}"]
        place = each.span[1]
        if not kept:
            pieces[-1] = ""
            pieces[-2] = pieces[-2].rstrip("\t ")
            place += text.startswith("\n", place)
    whole = "".join([*pieces, text[place:]])
    return whole, tuple(sorted(living, key=lambda e: (e.set, e.text, e.value)))


def plain(text: str) -> str:
    """A listing in which what nft says in two ways is said in one: of an anonymous set whose
    elements were merged into one, a reload makes a plain comparison (measured, nft 1.0.6), and
    chains that stayed while the others were exchanged stand before them."""
    lines = _ALONE.sub(r" \1", text).splitlines()
    begins = [n for n, line in enumerate(lines) if _BEGINS.match(line)]
    ends = [n for n, line in enumerate(lines) if line == "\t}"]
    if len(begins) != len(ends) or any(a > b for a, b in zip(begins, ends, strict=True)):
        return "\n".join(lines)
    blocks = sorted("\n".join(lines[a : b + 1]) for a, b in zip(begins, ends, strict=True))
    held = {n for a, b in zip(begins, ends, strict=True) for n in range(a, b + 1)}
    rest = [line for n, line in enumerate(lines) if n not in held and line]
    return "\n".join([*rest[:-1], *blocks, *rest[-1:]])


def _coming(sets: Mapping[str, Set]) -> Iterator[Set]:
    yield from (each for each in sets.values() if each.living or each.passing)


def _measures(owner: Set, element: Element) -> bool:
    """Packets put it there and it only measures how many they are: nothing to be carried on."""
    return "dynamic" in owner.flags and _MEASURES.search(element.text) is not None


def _joined(element: Element) -> str:
    return f"{element.text} : {element.value}" if element.value else element.text
