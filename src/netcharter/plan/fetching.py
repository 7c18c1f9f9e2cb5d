"""Which lists the gateway fetches from those who publish them."""

from __future__ import annotations

from netcharter.charter.model import Charter, NamedList
from netcharter.plan import hostile
from netcharter.plan.names import rules


def fetched(charter: Charter) -> tuple[NamedList, ...]:
    """Those with an address of their own that the charter makes use of, in its order. Nobody is asked
    for what nothing depends on."""
    used = {one.name for one in (*hostile.used(charter), *rules.used(charter))}
    return tuple(
        one for one in charter.lists.values() if one.source is not None and one.name in used
    )
