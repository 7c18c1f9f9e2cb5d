"""What the pages call withheld is what the naive reading of model.md calls so, over random charters."""

from __future__ import annotations

import pytest

from netcharter.gate import settings
from netcharter.gate.deciding import withheld
from netcharter.render import gate as rendered
from tests.gate.site import stores_of, times
from tests.oracle.compared import pair, rotating_seed
from tests.oracle.naive import in_area, is_open
from tests.oracle.names import Charter
from tests.oracle.test_names_agree import looks

CHARTERS, LOOKS = 16, 100


@pytest.mark.parametrize("number", range(CHARTERS))
def test_nothing_else_is_explained_and_all_of_it_is(number: int) -> None:
    found = pair(number)
    charter = Charter(found.text, found.site)
    if not rendered.shown_in(found.plan):
        assert not any(charter.answer(look).said == "withhold" for look in looks(found, LOOKS))
        return
    told, stores = settings.read(rendered.settings(found.plan).encode()), stores_of(found.plan)
    for look in looks(found, LOOKS):
        assert not isinstance(look.asker, tuple)
        if not in_area(found.site.areas[look.area], look.asker):
            continue  # refused as forged before anybody answers
        said = charter.answer(look)
        shown = withheld(
            told, look.asker, look.name, look.instant, stores, times(told, look.instant)
        )
        context = f"{rotating_seed()}: {look}\n{found.text}"
        assert (shown is not None) == (said.said == "withhold"), context
        if shown is None:
            continue
        assert shown.row.label == said.decider, context
        if shown.match is not None:
            raw = charter.lists[shown.match.list]["entries"]
            assert ([raw] if isinstance(raw, str) else raw)[
                shown.match.line - 1
            ] == shown.match.entry
        if shown.ends is not None and shown.row.during is not None:
            assert not is_open(found.site, shown.row.during, shown.ends), context
