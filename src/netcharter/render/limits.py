"""What one source may do of an offer: sets that the packets themselves fill, and who is refused.

Asked only of the first packet of a conversation (`ct status ! confirmed`: it is confirmed once it
has left), so that neither a repeated SYN nor the rest of a flow without answers counts. A set that
is full takes no more sources, and the rule that could not add one ends there: who comes then is not
limited. That is on purpose, or a flood from many sources would shut out everybody.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import product

from netcharter.plan import labels
from netcharter.plan.coding import ANY4
from netcharter.plan.shapes import Limit, Row
from netcharter.render import escape
from netcharter.render.wording import INDENT, braces
from netcharter.space.ranges import disjoint

# Most sources that one of the sets holds at a time. A full one is listed in a tenth of a second, as
# 1 MB (measured); whoever reads a kernel back still can while several of them are full.
SOURCES = 16384
# By family: how a source is found. Of IPv6 it is the /64, in which a host changes its address as it
# likes (RFC 8981); that a limit counts it as one is common practice, no source.
SOURCE = {4: "ip saddr", 6: "ip6 saddr & ffff:ffff:ffff:ffff::"}
_Named = Callable[[str, int], str]
_FIRST = "ct status ! confirmed"


def limit_counters(rows: Sequence[Row]) -> Iterator[str]:
    """A counter for each offer that has a limit."""
    for limit, _ in _limited(rows):
        remark = escape.comment(limit.offer)
        name = labels.over_counter(limit.offer)
        yield f"{INDENT}counter {name} {{ comment {remark}; }}"


def limit_sets(rows: Sequence[Row]) -> Iterator[str]:
    """The sets of each offer that has a limit. A source that begins nothing for as long as the
    limit says has its full number again, so nothing is lost with it; one with open conversations
    stays as long as there are any."""
    for limit, families in _limited(rows):
        remark = escape.comment(limit.offer)
        for family, (name, flags) in product(families, _sets_of(limit)):
            head = f"{INDENT}set {name(limit.offer, family)} {{ type ipv{family}_addr"
            yield f"{head}; {flags}; size {SOURCES}; comment {remark}; }}"


def limit_lines(row: Row) -> Iterator[str]:
    """The rules before what lets it: one that its source has too many of already ends here."""
    limit = row.limit
    if limit is None or not row.regions:
        return
    family = _family(row)
    devices = braces(dict.fromkeys(escape.device(device) for device in limit.devices))
    end = f"counter name {labels.over_counter(limit.offer)} drop"
    said = limit.said
    for adding, name, measure in (
        ("update", labels.begun_set, said.begun and f"limit rate over {_rate(limit)}"),
        ("add", labels.open_set, said.at_once and f"ct count over {said.at_once}"),
    ):
        if measure:
            source = f"@{name(limit.offer, family)} {{ {SOURCE[family]} {measure} }}"
            yield f"{_FIRST} iifname {devices} {adding} {source} {end}"


def _rate(limit: Limit) -> str:
    said = limit.said
    return f"{said.begun}/{said.unit} burst {said.begun} packets"


def _sets_of(limit: Limit) -> Iterator[tuple[_Named, str]]:
    if limit.said.begun is not None:
        seconds = {"second": 1, "minute": 60, "hour": 3600}[limit.said.unit]
        yield labels.begun_set, f"flags dynamic,timeout; timeout {seconds}s"
    if limit.said.at_once is not None:
        yield labels.open_set, "flags dynamic"


def _limited(rows: Sequence[Row]) -> Iterator[tuple[Limit, list[int]]]:
    """Each limit once, with the families in which it is asked."""
    found: dict[str, tuple[Limit, set[int]]] = {}
    for row in rows:
        if row.limit is not None and row.regions:
            found.setdefault(row.limit.offer, (row.limit, set()))[1].add(_family(row))
    yield from ((limit, sorted(families)) for limit, families in found.values())


def _family(row: Row) -> int:
    return 6 if disjoint(row.regions[0].destination, ANY4) else 4
