"""Open conversations of this machine: decided again by a plan, and cut where it refuses them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from ipaddress import ip_address

from netcharter.plan import labels
from netcharter.plan.coding import GUEST
from netcharter.plan.shapes import ALWAYS, NEVER, Address, Plan, Row
from netcharter.proofs.conversations import Again, Around, decided_again
from netcharter.proofs.management import Session
from netcharter.rollout.run.netlink import Netfilter
from netcharter.rollout.shapes import HostState
from netcharter.rollout.trouble import EffectFailed
from netcharter.tasks.enacting.here import Here
from netcharter.tasks.enacting.tracked import conversations, cut


def cut_refused(
    plan: Plan,
    here: Here,
    state: HostState,
    now: datetime,
    *,
    numbers: Mapping[int, str] | None = None,
    spared: Sequence[Session] = (),
    really: bool = True,
) -> Again:
    """Decide open conversations again, and cut what the plan refuses now.

    state: with the elements of the sets that tell who is signed in; numbers: as in
    `proofs.conversations.Around`; really: else it is only told. Raises EffectFailed.
    """
    around = Around(
        now,
        here.up,
        lines=here.lines,
        neighbours=here.neighbours,
        signed=signed_in(state, plan),
        led=led_to(state, plan),
        numbers=numbers,
    )
    try:
        with Netfilter() as kernel:
            again = decided_again(plan, conversations(kernel), around, spared)
            for one in again.cut if really else ():
                cut(kernel, one.conversation)
    except OSError as fault:
        reason = fault.strerror or "the kernel does not answer"
        raise EffectFailed("cutting what is refused now", reason) from None
    return again


def closed(plan: Plan) -> Plan:
    """The plan as the kernel does it while every timed set is empty: what hours or a last day open
    is closed, and no refusal rests. What is let finish whatever the time still is."""
    return replace(plan, rows=tuple(_untimed(plan.rows)))


def _untimed(rows: Iterable[Row]) -> Iterable[Row]:
    for row in rows:
        if row.let and row.finishing == ALWAYS:
            left = tuple(
                region if region.when == ALWAYS else replace(region, when=NEVER)
                for region in row.regions
            )
        elif row.let:
            left = tuple(region for region in row.regions if region.when == ALWAYS)
        else:
            left = tuple(replace(region, when=ALWAYS) for region in row.regions)
        yield replace(row, regions=left)


def signed_in(state: HostState, plan: Plan) -> dict[tuple[str, Address, int], str]:
    """Who is signed in where, by the sets that the gate fills: a person's name, or GUEST."""
    areas = {area.device: area.name for area in plan.areas}
    people = [person.name for person in plan.people]
    classes = {labels.identity_class(name, people): name for name in people}
    found: dict[tuple[str, Address, int], str] = {}
    for table in state.tables:
        for element in table.living:
            where = _seat(element.text, areas)
            if where is None:
                continue
            if element.set in (labels.signed_set(4), labels.signed_set(6)):
                found.setdefault(where, GUEST)
            elif element.set in (labels.class_map(4), labels.class_map(6)):
                found[where] = classes.get(_class(element.value), GUEST)
    return found


def led_to(state: HostState, plan: Plan) -> dict[str, frozenset[Address]]:
    """Where the places lead that are made of names, by the sets that dnsmasq fills."""
    sets = {labels.led_set(one.name, v): one.name for one in plan.by_names for v in (4, 6)}
    found: dict[str, frozenset[Address]] = {}
    for element in (one for table in state.tables for one in table.living):
        if element.set in sets:
            with suppress(ValueError):
                address = frozenset({ip_address(element.text)})
                found[sets[element.set]] = found.get(sets[element.set], frozenset()) | address
    return found


def _seat(text: str, areas: Mapping[str, str]) -> tuple[str, Address, int] | None:
    """The area, address and hardware address of an element of the gate's."""
    parts = [part.strip().strip('"') for part in text.split(" . ")]
    if len(parts) != 3 or parts[0] not in areas:
        return None
    try:
        return areas[parts[0]], ip_address(parts[1]), int(parts[2].replace(":", ""), 16)
    except ValueError:
        return None


def _class(value: str) -> int:
    """The identity class in a mark as nft writes it."""
    try:
        return labels.unpack(int(value, 0)).identity
    except ValueError:
        return 0
