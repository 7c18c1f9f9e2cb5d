"""What is kept on this machine of lists that others publish."""

from __future__ import annotations

from netcharter.charter.model import Charter
from netcharter.plan.fetching import fetched
from netcharter.plan.listed import Listed
from netcharter.rollout.host import Work
from netcharter.rollout.trouble import StateBroken
from netcharter.steward import lists
from netcharter.steward.lists import Record


def kept(work: Work, name: str) -> tuple[bytes | None, Record | None]:
    """What is kept of a list, and what is known of that; a record of another text counts for nothing.
    Raises EffectFailed."""
    place = work.paths.within(lists.FOLDER, name)
    text, data = work.host.read(place), work.host.read(f"{place}.json")
    if text is None or data is None:
        return text, None
    try:
        return text, lists.record_of(f"{lists.FOLDER}/{name}.json", data, text)
    except StateBroken:
        return text, None


def fetched_lists(work: Work, charter: Charter | None) -> dict[str, Listed]:
    """What is kept here of the lists that a charter uses and that are fetched, by name. Raises
    EffectFailed."""
    found: dict[str, Listed] = {}
    for one in fetched(charter) if charter is not None else ():
        text, known = kept(work, one.name)
        if text is not None:
            found[one.name] = Listed(text, None if known is None else known.fetched)
    return found
