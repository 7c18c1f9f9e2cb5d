"""`compare` as it is told: opened, closed, altered, each row with its count and a connection."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import pytest

from netcharter.report.limits import WHERE
from netcharter.tasks.compare import Compared, compare_charters
from netcharter.tasks.sources import Source, Unusable
from tests.proofs.sites import charter

NOW = datetime(2026, 11, 2, 9, tzinfo=UTC)
DEMO = Path(__file__).parents[2] / "examples" / "tarn-hollow"


def compared(old: str, new: str) -> Compared:
    return compare_charters(Source("old", old.encode()), Source("new", new.encode()), NOW)


def test_what_hosts_find_in_other_areas_is_compared_by_areas_and_types() -> None:
    """Sentences may be cut otherwise; which areas talk with the relay at all are connections."""
    whole = "\n  - {let: [home, yard], find: [printing, _lights._udp], in: club}\n"
    apart = (
        "\n  - {let: home, find: printing, in: club}\n  - {let: home, find: _lights._udp, in: club}\n"
        "  - {let: yard, find: [_lights._udp, printing], in: club}\n"
    )
    assert compared(charter(discovery=whole), charter(discovery=apart)).ok
    less = apart.replace("  - {let: home, find: _lights._udp, in: club}\n", "")
    found = compared(charter(discovery=whole), charter(discovery=less))
    assert not found.ok and found.comparison.same
    (moved,) = found.comparison.moved
    assert moved.what == "what hosts of home find in club"
    assert "_lights._udp" in moved.before and "_lights._udp" not in moved.after
    gone = compared(charter(discovery=less), charter()).as_json()
    assert {one["after"] for one in gone["moved"]} == {"nothing"} and len(gone["moved"]) == 2
    assert gone["closed"] and not gone["same"]


def mend() -> Compared:
    old, new = (DEMO / name for name in ("first-draft.yaml", "charter.yaml"))
    return compare_charters(
        Source(old.name, old.read_bytes()), Source(new.name, new.read_bytes()), NOW
    )


def test_the_mend_of_the_demo_closes_and_opens_nothing() -> None:
    found = mend().as_json()
    assert (found["ok"], found["same"], found["complete"]) == (False, False, True)
    assert found["opened"] == found["altered"] == []
    assert found["totals"]["opened"] == found["totals"]["altered"] == "0"
    assert int(found["totals"]["closed"]) == sum(int(row["count"]) for row in found["closed"])
    assert all(row["before"] == {"outcome": "let", "decided_by": "rule 4"}
               for row in found["closed"])  # fmt: skip
    assert any("tills" in row["to"] and "bunkrooms" in row["from"] for row in found["closed"])
    assert all(" let by rule 4." in row["witness"] for row in found["closed"])


def test_the_lines_tell_every_row_with_its_count_and_a_connection() -> None:
    found = mend()
    text = "\n".join(found.lines(1000))
    total = found.comparison.totals["closed"]
    assert text.startswith(f"closed: {total:,} connections\n")
    for row in found.comparison.closed:
        assert f"{row.count:,}" in text
        assert f"for instance: {row.witness.sentence}" in text
    narrow = list(found.lines(60))
    assert all(len(line) <= 60 for line in narrow if not re.search(r"\S{50}", line))


def test_nothing_changes_is_said_to_be_proven() -> None:
    found = compared(charter(), charter())
    assert list(found.lines(100)) == [
        "Nothing changes: proven for every connection, hour, line state and sign-in.",
        WHERE,
    ]
    assert found.as_json()["same"] is True
    assert found.as_json()["totals"] == {"opened": "0", "closed": "0", "altered": "0"}


def test_words_that_change_nothing_change_nothing() -> None:
    web = "\n  - {let: [home, yard], reach: bank, with: [http, https]}\n"
    apart = (
        "\n  - {let: home, reach: bank, with: [http, https]}\n"
        "  - {let: yard, reach: bank, with: [http, https]}\n"
    )
    for other in (
        "\n  - {let: [yard, home], reach: bank, with: [https, http], because: x, contact: y}\n",
        apart,
        "\n  - {let: [home, yard], reach: bank, with: [tcp/80, tcp/443], name: web}\n",
        web + "  - {refuse: yard, reach: anywhere, with: ssh}\n",
    ):
        assert compared(charter(rules=web), charter(rules=other)).comparison.same


def test_opened_closed_and_altered_stand_apart() -> None:
    old = charter(
        rules="\n  - {let: home, reach: bank, with: http}\n",
        offers="\n  - {offer: https, on: dsl, to: shop}\n",
    )
    new = charter(
        rules="\n  - {let: home, reach: bank, with: ssh}\n",
        offers="\n  - {offer: https, on: dsl, to: desk}\n",
    )
    found = compared(old, new)
    text = "\n".join(found.lines(200))
    assert text.index("opened: ") < text.index("closed: ") < text.index("altered: ")
    assert {row.service for row in found.comparison.opened} == {"ssh"}
    assert {row.service for row in found.comparison.closed} == {"http"}
    (row,) = found.as_json()["altered"]
    assert row["before"]["outcome"].startswith("let, delivered to 10.")
    assert row["after"]["outcome"] != row["before"]["outcome"]
    assert row["connection"]["delivered"].startswith("desk (")


def test_counts_are_exact_beyond_what_a_float_holds() -> None:
    within = "\n  - {let: home, reach: yard, with: http}\n"
    found = compared(charter(rules=within), charter(rules=""))
    number = int(found.as_json()["totals"]["closed"])
    assert number > 2**64 and int(float(number)) != number
    assert str(number) == found.as_json()["totals"]["closed"]


@pytest.mark.parametrize("which", ["old", "new"])
def test_either_charter_may_be_unusable(which: str) -> None:
    texts = {"old": charter(), "new": charter(), which: "charter: 2\n"}
    with pytest.raises(Unusable) as wrong:
        compared(texts["old"], texts["new"])
    assert {d.span.file for d in wrong.value.diagnostics} == {which}
