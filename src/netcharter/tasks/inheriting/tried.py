"""For every area one connection that must work and one that must not: taken from the plan.

Each is asked of the plan's own decisions before it is told, and its expected answer is the one
that the plan gives.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from netcharter.charter.model import Address
from netcharter.plan import coding
from netcharter.plan.coding import ICMP, TCP
from netcharter.plan.fate import Attempt, Environment, Outcome, fate
from netcharter.plan.shapes import AreaPlan, Plan, Region, Row
from netcharter.plan.terms import Ground
from netcharter.proofs.ask import NotUnderstood
from netcharter.proofs.naming import Naming
from netcharter.proofs.promises import ground_of
from netcharter.proofs.start import representative, signed_in, starts
from netcharter.proofs.story import row_name
from netcharter.space.ranges import Ranges, has, intersect

WEB = coding.service(TCP, 443)[0]
PLAIN_WEB = coding.service(TCP, 80)[0]
SSH = coding.service(TCP, 22)[0]
PING = coding.service(ICMP, 8 << 8)[0]
FAMILIAR = (WEB, PLAIN_WEB, SSH, PING)  # services that everybody can try, the likeliest first
WIDE = 1 << 20  # addresses: a destination that large is "the internet", not a place
ANSWERS = {
    "reset": "refused at once (`Connection refused`)",
    "prohibited": "refused at once (`No route to host`)",
    "silent": "nothing for 3 seconds, then it gives up (`timed out`)",
}


@dataclass(frozen=True, slots=True)
class Trial:
    """One thing to try. starter: on what machine; command: what to type; answer: what comes."""

    starter: str
    about: str
    command: str
    answer: str
    because: str


@dataclass(frozen=True)
class Trials:
    """What can be tried at one moment, every line up."""

    plan: Plan
    now: datetime
    ground: Ground

    @classmethod
    def of(cls, plan: Plan, now: datetime) -> Trials:
        return cls(plan, now, ground_of(plan))

    def let(self, area: AreaPlan) -> Trial | None:
        """A connection from the area that the charter lets; one that answers, if there is any."""
        found = [trial for trial in self._let(area) if trial is not None]
        return found[0] if found else None

    def _let(self, area: AreaPlan) -> Iterator[Trial | None]:
        rows = [row for row in self.plan.rows if row.let and row.kind in ("emergency", "rule")]
        for familiar in (True, False):
            for row in rows:
                for region in row.regions:
                    if area.name in region.entrances:
                        yield self._by_row(area, row, region, familiar)

    def _by_row(self, area: AreaPlan, row: Row, region: Region, familiar: bool) -> Trial | None:
        service = next((code for code in FAMILIAR if has(region.service, code)), None)
        if service is None and not familiar:
            service = next((low for low, _ in region.service if low >> 16 == TCP), None)
        to = intersect(region.destination, coding.ANY4)
        if service is None or not to:
            return None
        wide = sum(high - low + 1 for low, high in to) > WIDE
        if wide and service not in (WEB, PLAIN_WEB):
            return None
        destination = representative(self.plan, to) if wide else _somebody(to)
        for starter in (area.name, *self._devices(area)):
            outcome = self._fate(area, starter, destination, service)
            if outcome is not None and outcome.let and outcome.row.index == row.index:
                return self._told(starter, destination, service, outcome, wide)
        return None

    def refused(self, area: AreaPlan) -> Trial | None:
        """A connection from the area that is refused: to another area, the gateway, the internet."""
        for destination in self._destinations(area):
            for service in (WEB, SSH, coding.service(TCP, 25)[0]):
                outcome = self._fate(area, area.name, destination, service)
                if outcome is None or outcome.let or outcome.row.label == "strangers":
                    continue
                return self._told(area.name, destination, service, outcome, False)
        return None

    def _destinations(self, area: AreaPlan) -> Iterator[int]:
        devices = (d for d in self.plan.devices if d.area != area.name and d.addresses4)
        yield from (coding.address(d.addresses4[0]) for d in devices)
        for other in self.plan.areas:
            if other.name != area.name:
                yield representative(self.plan, intersect(other.hosts, coding.ANY4))
        yield coding.address(area.gateway4)
        outside = intersect(self.plan.internet, coding.ANY4)
        if outside:
            yield representative(self.plan, outside)

    def _devices(self, area: AreaPlan) -> Iterator[str]:
        yield from (d.name for d in self.plan.devices if d.area == area.name and not d.barred)

    def _fate(self, area: AreaPlan, starter: str, destination: int, service: int) -> Outcome | None:
        up = self.ground.all_lines
        to = ((destination, destination),)
        try:
            begun = starts(self.plan, self.ground, starter, 4, to, up)
        except NotUnderstood:
            return None
        start = next((one for one in begun if one.entrance == area.name), None)
        if start is None:
            return None
        who = signed_in(self.plan, starter, area.name, None)
        attempt = Attempt(area.name, start.source, start.hardware, destination, service)
        return fate(self.plan, attempt, Environment(up, who, self.now))

    def _told(
        self, starter: str, destination: int, service: int, outcome: Outcome, wide: bool
    ) -> Trial:
        naming = Naming(self.plan)
        address = coding.decode(destination)
        assert not isinstance(address, tuple)  # a numeric one was chosen
        about = f"{naming.address_full(destination)}, {naming.service_full(service)}"
        command = _command(address, service)
        answer = "an answer"
        if wide:
            about = "a web page on the internet"
            secure = "s" if service == WEB else ""
            command = f"curl -sS -o /dev/null -w '%{{http_code}}\\n' http{secure}://example.org/"
            answer = "a number such as 200"
        elif outcome.let:
            answer = "1 received" if service == PING else "succeeded, or open"
        else:
            assert outcome.manner is not None
            answer = ANSWERS[outcome.manner]
        return Trial(starter, about, command, answer, row_name(outcome.row))


def _somebody(to: Ranges) -> int:
    """A likely host of a place or an area: not the first address of a whole network."""
    low, high = to[0]
    return low if high - low < 3 else low + 1


def _command(address: Address, service: int) -> str:
    if service == PING:
        return f"ping -c 1 -W 3 {address}"
    return f"nc -v -z -w 3 {address} {service & 0xFFFF}"
