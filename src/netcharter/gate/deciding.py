"""What is withheld, from whom, until when: as the names rules say it at this moment."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from netcharter.gate import stores
from netcharter.gate.settings import Address, Settings
from netcharter.gate.times import Told, is_told, standing
from netcharter.plan import coding
from netcharter.plan.hours import flips
from netcharter.plan.names.deciding import Asker, Decider, asks
from netcharter.plan.names.lookup import Match
from netcharter.plan.names.shapes import NamesRow

AHEAD = timedelta(days=35)  # how far it is looked for the end of hours

Stores = Callable[[str], stores.Open]  # of a list, by the folder of its stores


@dataclass(frozen=True, slots=True)
class Withheld:
    """A name that is withheld from who asks. term: of the rule that takes it in; match: the entry of
    the list that does, if it is one; ends: when its hours are over, None where they have no end that
    is near, or nobody tells whether they hold; audience: as whom the asker is meant."""

    name: str
    area: str
    row: NamesRow
    term: str
    audience: str
    match: Match | None
    ends: datetime | None
    contact: str | None


def withheld(
    settings: Settings,
    source: Address,
    name: str,
    now: datetime,
    stores_of: Stores,
    told: Told,
) -> Withheld | None:
    """None where the name is not withheld from that address now. told: which times hold."""
    area = settings.area_of(source)
    if area is None:
        return None

    def find(found: str, asked: str) -> Match | None:
        return stores.listed(found, asked, stores_of(settings.folders[found]))

    asker = Asker(area, coding.address(source))
    names = standing(settings.names, told)
    met = Decider(names, asker, lambda during, until: True)(name, "A", find).met
    row = met.row
    if row.action != "withhold":
        return None
    term = next(one.term for one in row.audience if asks(one, asker))
    contact = settings.contacts.get(row.label)
    if contact is None and met.list is not None:
        contact = settings.names.lists[met.list].said.contact
    ends = _ends(settings, row, now) if is_told(row, told) else None
    return Withheld(name, area, row, met.what.term, term, met.entry, ends, contact)


def _ends(settings: Settings, row: NamesRow, now: datetime) -> datetime | None:
    if row.during is None:
        return None
    hours = settings.hours[row.during]
    changes = flips(hours, settings.zone, now, now + AHEAD)
    return next((at for at, opens in changes if not opens), None)
