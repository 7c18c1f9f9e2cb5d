"""Taking over a prefix while somebody else keeps another version."""

from __future__ import annotations

from datetime import UTC, datetime
from ipaddress import IPv6Network
from types import SimpleNamespace
from typing import Any

import pytest

from netcharter.rollout import looks
from netcharter.rollout.host import Work
from netcharter.rollout.store import Standing
from netcharter.rollout.work import Undone
from netcharter.tasks.enacting import acts, renumbering
from netcharter.tasks.enacting.acts import Enacted
from netcharter.tasks.keeping import Kept
from netcharter.tasks.sources import Source

CHARTER = b"""charter: 1
site: {name: Far Hut, timezone: UTC}
lines: {copper: {device: eth0, address: automatic, prefix: delegated}}
"""


def test_it_is_put_in_place_only_over_what_it_was_judged_against(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Another version that is kept while this one is proven is not taken back unawares: the roll-out
    refuses where what is kept is not what it was told (`store.may_be_judged_by`)."""
    kept, told = [1], []

    def standing(work: Work) -> Standing:
        return Standing(kept[0], None, "quiet")

    def delegated(work: Work, source: Source) -> tuple[dict[str, IPv6Network], dict[str, str]]:
        kept[0] = 2
        return {"copper": IPv6Network("2001:db8:7a00::/56")}, {}

    def enact(work: Work, ready: object, *, judged: Standing, **said: Any) -> Enacted:
        told.append(judged)
        return Enacted(Undone(3, "for the test"), None)

    source = Source("hut.yaml", CHARTER, kept=Kept("version 1", {}), stand_ins=False)
    version = SimpleNamespace(set_aside=(), left=())
    monkeypatch.setattr(acts, "standing", standing)
    monkeypatch.setattr(acts, "free", standing)
    monkeypatch.setattr(acts, "kept_source", lambda work: source)
    monkeypatch.setattr(acts, "delegated", delegated)
    monkeypatch.setattr(acts, "enact", enact)
    monkeypatch.setattr(renumbering, "judged_anew", lambda *said: SimpleNamespace(ok=True))
    monkeypatch.setattr(looks, "made", lambda work, number: SimpleNamespace(version=version))
    monkeypatch.setattr(renumbering, "pruned", lambda work: ())
    work: Work = None  # type: ignore[assignment]
    assert renumbering.renumber(work, datetime(2026, 11, 26, tzinfo=UTC)).state == "undone"
    assert told == [Standing(1, None, "quiet")]
