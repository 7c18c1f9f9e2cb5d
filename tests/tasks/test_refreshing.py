"""What is asked of `refresh` is judged before anything is fetched."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest

from netcharter.tasks.enacting import refreshing
from netcharter.tasks.sources import Source, Unusable

NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)
CHARTER = """
charter: 1
site: {name: Far Hut, timezone: UTC, managed-from: [desk]}
lines: {copper: {device: eth0}}
areas: {hall: {device: eth3, hosts: 5}}
devices: {desk: {area: hall, hardware: '02:00:00:aa:00:01', address: lasting}}
lists:
  seen: {of: addresses, from: 'https://lists.example.org/seen'}
  ours: {of: addresses, entries: [198.51.100.9]}
hostile: {lists: [seen, ours]}
"""


def never(url: str) -> bytes:
    raise AssertionError(f"{url} was asked for")


@pytest.mark.parametrize(
    ("name", "instead"),
    [("sene", "write seen"), ("ours", "say one of seen"), ("", "say one of seen")],
)
@pytest.mark.parametrize("key", ["names", "accepted"])
def test_a_name_for_which_nothing_is_fetched_is_a_mistake(
    monkeypatch: pytest.MonkeyPatch, key: str, name: str, instead: str
) -> None:
    work: Any = object()
    kept = Source("hut.yaml", CHARTER.encode())
    monkeypatch.setattr(
        "netcharter.tasks.enacting.acts.standing", lambda _: SimpleNamespace(kept=1)
    )
    monkeypatch.setattr("netcharter.tasks.enacting.acts.kept_source", lambda _: kept)
    said: dict[str, Any] = {key: [name]}
    with pytest.raises(Unusable) as found:
        refreshing.refresh(work, NOW, **said, fetched=never)
    (wrong,) = found.value.diagnostics
    assert (wrong.id, wrong.help) == ("unknown-name", instead)
