"""What the sets hold that gate and steward fill while a gateway runs, by their names.

`docs/explanation/kit.md` says what stands in each of them and how it is asked. A set that is asked
in any other way, or that the plan's labels do not know, has no meaning here.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from netcharter.plan import coding, labels
from netcharter.plan.coding import NOBODY
from netcharter.plan.leading import leads
from netcharter.plan.shapes import Plan
from netcharter.proofs.kernel_space import DESTINATION, LED, TIME, WHO, Slice
from netcharter.proofs.kernel_ways import ITSELF
from netcharter.proofs.naming import listed
from netcharter.proofs.universe import Universe
from netcharter.space.ranges import Ranges, full, subtract


@dataclass(frozen=True, slots=True)
class Meaning:
    """The attempts that a set holds: the values of one field.

    keys: how it may be asked. told: what must be in it, as a sentence.
    """

    field: int
    found: Ranges
    keys: frozenset[str]
    told: str


class Meanings:
    """What each living set of a plan means."""

    def __init__(self, universe: Universe) -> None:
        self.universe = universe
        self.plan: Plan = universe.plans[0]
        self._known: Mapping[str, Meaning] = {
            **dict(self._times()),
            **dict(self._people()),
            **dict(self._lines()),
            **dict(self._led()),
        }

    def of(self, name: str, key: str, where: Slice) -> Meaning | str:
        """The meaning of a set asked by `key` (nft's words) in a slice, or why there is none."""
        found = self._known.get(name)
        if found is None:
            return f"nobody says what the set {name} holds"
        allowed = found.keys
        if where.way.device == ITSELF:
            allowed -= {"iifname"}  # what starts here has no device by which it came in
        if key not in allowed:
            return f"the set {name} is asked by {key}, which is not what it is filled for"
        return found

    def _times(self) -> Iterator[tuple[str, Meaning]]:
        keys = frozenset({"iifname", "oifname"})  # it holds every device of the site, and lo
        for when, let in labels.times_asked_for(self.plan.rows):
            inside = self.universe.time_set(0, when)
            if not let:
                inside = subtract(full(len(self.universe.times)), inside)
            words = [when.during or "", f"until {when.until}" if when.until else ""]
            state = "is in force" if let else "is not in force"
            told = f"every device while '{' '.join(filter(None, words))}' {state}"
            yield labels.when_set(when, let), Meaning(TIME, inside, keys, told)

    def _people(self) -> Iterator[tuple[str, Meaning]]:
        somebody = subtract(
            full(len(self.universe.people)), self.universe.who_set(frozenset({NOBODY}))
        )
        for family in (4, 6):
            keys = frozenset({f"iifname . {'ip' if family == 4 else 'ip6'} saddr . ether saddr"})
            for who in labels.people_asked_for(self.plan.rows):
                names = listed(sorted("a guest" if name == coding.GUEST else name for name in who))
                told = f"where one of these is signed in: {names}"
                found = self.universe.who_set(who)
                yield labels.who_set(who, family), Meaning(WHO, found, keys, told)
            told = "where anybody is signed in"
            yield labels.signed_set(family), Meaning(WHO, somebody, keys, told)
            yield labels.class_map(family), Meaning(WHO, somebody, keys, told)

    def _lines(self) -> Iterator[tuple[str, Meaning]]:
        for line in self.plan.lines:
            if line.automatic:
                code = coding.unknown(line.number, 4)
                told = f"the address that {line.name} has just now"
                meaning = Meaning(DESTINATION, ((code, code),), frozenset({"ip daddr"}), told)
                yield labels.line_set(line.name), meaning

    def _led(self) -> Iterator[tuple[str, Meaning]]:
        names = [place.name for place in self.plan.by_names]
        for place in self.plan.by_names:
            found = self.universe.led_set(leads(names, [place.name]))
            told = f"where {listed(place.domains)} led, as the gateway's resolver answered lately"
            for family in (4, 6):
                key = frozenset({"ip daddr" if family == 4 else "ip6 daddr"})
                yield labels.led_set(place.name, family), Meaning(LED, found, key, told)
