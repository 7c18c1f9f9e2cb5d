"""Generated rule lists of real size: a firewall-like one in five fields, a charter-like one in
eight, and the families published as hostile. Deterministic for a seed; used by tests and benchmarks.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Sequence

from netcharter.space.model import Entry, Field, RawBox, RuleList
from netcharter.space.ranges import Ranges, full, ranges, union

V4 = 1 << 32
ADDRESSES = V4 + (1 << 128)
FIREWALL = (
    Field("source", V4),
    Field("destination", V4),
    Field("protocol", 256),
    Field("source port", 65536),
    Field("port", 65536),
)
CHARTER = (
    Field("entrance", 16),
    Field("source", ADDRESSES),
    Field("destination", ADDRESSES),
    Field("service", 1 << 24),
    Field("hardware", (1 << 48) + 1),
    Field("who", 50),
    Field("time", 20),
    Field("lines", 8),
)
_PORTS = (20, 21, 22, 25, 53, 80, 110, 123, 143, 389, 443, 445, 587, 993, 1433, 3306, 3389, 8080)


def _prefix(rng: random.Random, base: int, length: int, least: int) -> tuple[int, int]:
    """A random prefix at most `least` long inside base/length (32-bit numbers)."""
    bits = rng.randrange(length, least + 1)
    span = 1 << (32 - bits)
    low = base + (rng.randrange(1 << (32 - length)) // span) * span
    return low, low + span - 1


def _address(rng: random.Random, anywhere: float, sites: int) -> Ranges:
    kind = rng.random()
    if kind < anywhere:
        return full(V4)
    site = 10 << 24 | rng.randrange(sites) << 16
    if kind < 0.55:
        return ranges((host := site | rng.randrange(1 << 16), host))
    if kind < 0.9:
        return ranges(_prefix(rng, site, 22, 30))
    return ranges(_prefix(rng, rng.randrange(1, 224) << 24, 12, 24))


def _port(rng: random.Random) -> Ranges:
    kind = rng.random()
    if kind < 0.15:
        return full(65536)
    if kind < 0.85:
        return ranges((port := rng.choice(_PORTS), port))
    low = rng.randrange(1024, 60000)
    return ranges((low, min(65535, low + rng.choice([1, 9, 99, 4000]))))


def firewall_like(count: int, seed: int, default: str = "no") -> RuleList:
    """One entry a rule, five fields, a handful of sites, hosts and prefixes nested in them."""
    rng = random.Random(seed)
    entries, sites = [], min(250, max(12, count // 50))
    for rule in range(1, count + 1):
        protocol = rng.random()
        values = full(256) if protocol < 0.15 else ranges((p := 6 if protocol < 0.7 else 17, p))
        ports = full(65536) if protocol < 0.15 else _port(rng)
        origin = full(65536) if rng.random() < 0.95 else ranges((1024, 65535))
        source = _address(rng, 0.2, sites)
        target = _address(rng, 0 if source == full(V4) else 0.2, sites)
        box = (source, target, values, origin, ports)
        entries.append(Entry(box, rule, "let" if rng.random() < 0.6 else "no"))
    whole = tuple(full(field.size) for field in FIREWALL)
    return RuleList(FIREWALL, tuple(entries), default, (whole,))


# ---- charter-like ----

_AREAS, _LINES = range(12), range(12, 14)  # entrance 14 is the machine itself
_V4, _V6 = ranges((0, V4 - 1)), ranges((V4, ADDRESSES - 1))
_LOCAL, _NONE = ranges((0, (1 << 48) - 1)), ranges((1 << 48, 1 << 48))


def charter_universe() -> tuple[RawBox, ...]:
    """Areas know hardware addresses and perhaps people, lines neither; families do not mix."""
    nobody, everything, times = ranges((0, 0)), full(1 << 24), full(20)
    boxes: list[RawBox] = []
    for family in (_V4, _V6):
        signed, plain = ranges((0, 3)), ranges((4, 11))
        boxes.append((signed, family, family, everything, _LOCAL, full(50), times, full(8)))
        boxes.append((plain, family, family, everything, _LOCAL, nobody, times, full(8)))
        own = ranges((14, 15))
        boxes.append((own, family, family, everything, _NONE, nobody, times, full(8)))
        for line in _LINES:
            up = ranges(*((s, s) for s in range(8) if s >> (line - 12) & 1))
            here = ranges((line, line))
            boxes.append((here, family, family, everything, _NONE, nobody, times, up))
    return tuple(boxes)


def _area(area: int) -> tuple[Ranges, Ranges]:
    low4 = (10 << 24) + (area << 16)
    low6 = V4 + (0xFD00 << 112) + (area << 64)
    return ranges((low4, low4 + 65535)), ranges((low6, low6 + (1 << 64) - 1))


def _internet() -> tuple[Ranges, Ranges]:
    return (
        ranges(
            (1 << 24, (10 << 24) - 1), (11 << 24, (127 << 24) - 1), (128 << 24, (224 << 24) - 1)
        ),
        ranges((V4 + (0x2000 << 112), V4 + (0x4000 << 112) - 1)),
    )


def _reached(rng: random.Random) -> tuple[Ranges, Ranges]:
    kind = rng.random()
    if kind < 0.3:
        return _internet()
    if kind < 0.5:
        return _area(rng.choice(_AREAS))
    if kind < 0.8:
        area, host = rng.choice(_AREAS), rng.randrange(2, 5000)
        a4, a6 = _area(area)
        return ranges((a4[0][0] + host,) * 2), ranges((a6[0][0] + host,) * 2)
    chosen = [rng.randrange(20, 120) << 24 | rng.randrange(1 << 16) << 8 for _ in range(3)]
    six = V4 + (0x2001 << 112) + (rng.randrange(1 << 16) << 80)
    return ranges(*((low, low + 255) for low in chosen)), ranges((six, six + (1 << 80) - 1))


def charter_like(count: int, seed: int) -> RuleList:
    """Two entries a rule (one per family), eight fields, most of them full in most entries."""
    rng = random.Random(seed)
    services = [ranges((6 << 16 | p, 6 << 16 | p)) for p in _PORTS]
    services += [ranges((17 << 16 | p, 17 << 16 | p)) for p in _PORTS]
    services += [
        union(services[5], services[10]),
        full(1 << 24),
        ranges((6 << 16, 6 << 16 | 65535)),
    ]
    entries: list[Entry] = []
    for rule in range(1, count + 1):
        area = rng.choice(_AREAS)
        entrance = ranges((area, area)) if rng.random() < 0.7 else ranges((area, area), (2, 2))
        service, reached = rng.choice(services), _reached(rng)
        hardware = _LOCAL if rng.random() < 0.7 else ranges((h := 2 << 40 | rng.randrange(999), h))
        who = full(50) if rng.random() < 0.8 else ranges((p := rng.randrange(1, 50), p))
        time = full(20) if rng.random() < 0.8 else ranges((t := rng.randrange(16), t + 3))
        lines = full(8) if rng.random() < 0.95 else ranges((4, 7))
        outcome = "let" if rng.random() < 0.7 else "no"
        sources: tuple[Ranges, ...] = (_V4, _V6)
        if entrance == ranges((area, area)) and rng.random() < 0.6:
            host = rng.randrange(2, 4000)
            sources = tuple(ranges((own[0][0] + host,) * 2) for own in _area(area))
        for source, target in zip(sources, reached, strict=True):
            box = (entrance, source, target, service, hardware, who, time, lines)
            entries.append(Entry(box, rule, outcome))
    return RuleList(CHARTER, tuple(entries), "no", charter_universe())


# ---- hostile ----


def _closed(sizes: Sequence[int], boxes: Sequence[dict[int, Ranges]]) -> RuleList:
    """The boxes as rules 1.., and a last rule over everything, which they cover together."""
    fields = tuple(Field(f"f{i}", size) for i, size in enumerate(sizes))
    whole = tuple(full(size) for size in sizes)
    entries = [
        Entry(tuple(box.get(f, whole[f]) for f in range(len(sizes))), rule, "let")
        for rule, box in enumerate([*boxes, {}], 1)
    ]
    return RuleList(fields, tuple(entries), "no", (whole,))


def slabs_and_slices(slices: int = 1000) -> RuleList:
    """Ten fat slabs in each of four fields, thin slices closing the fifth: hard for intervals."""
    boxes = [{f: ranges((100 * i, 100 * i + 79))} for f in range(4) for i in range(10)]
    boxes += [{4: ranges((i, i))} for i in range(slices)]
    return _closed([1000] * 4 + [slices], boxes)


def ring_of_slabs(slices: int = 1000, width: int = 5) -> RuleList:
    """Slabs that are products over neighbouring fields of a ring: hard for sets too."""
    boxes: list[dict[int, Ranges]] = []
    for f in range(width):
        for i in range(10):
            beside = ranges(*((v, v) for v in {(3 * i + k) % 11 for k in range(3)}))
            boxes.append({f: ranges((i, i)), (f + 1) % width: beside})
    for i in range(slices):
        boxes.append({width: ranges((i, i)), 0: ranges((0, 4))})
        boxes.append({width: ranges((i, i)), 0: ranges((5, 10))})
    return _closed([11] * width + [slices], boxes)


def pigeons(fields: int = 8) -> RuleList:
    """One box for every two fields that hold the same value, one value too few: all is covered."""
    boxes = [
        {a: ranges((v, v)), b: ranges((v, v))}
        for a, b in itertools.combinations(range(fields), 2)
        for v in range(fields - 1)
    ]
    return _closed([fields - 1] * fields, boxes)


def combed_pigeons(fields: int = 7) -> RuleList:
    """Pigeons, each box cut in two combs of thin slices of one more field: no complement is one
    piece, nothing is independent, and neither the tree nor the diagram stays small."""
    plain = [
        {a: ranges((v, v)), b: ranges((v, v))}
        for a, b in itertools.combinations(range(fields), 2)
        for v in range(fields - 1)
    ]
    slices = len(plain) + 1
    boxes: list[dict[int, Ranges]] = []
    for at, box in enumerate(plain):
        tooth = 2 + at % 5
        for side in (0, 1):
            comb = ranges(*((s, s) for s in range(slices) if s // tooth % 2 == side))
            boxes.append({**box, fields: comb})
    return _closed([fields - 1] * fields + [slices], boxes)
