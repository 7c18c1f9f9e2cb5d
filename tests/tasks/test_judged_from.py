"""As of when a charter is judged: days and moments of the site, not of the machine or of UTC."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from netcharter.tasks.check import check, page_of
from netcharter.tasks.compare import compare_charters
from netcharter.tasks.judged_from import judged_from
from netcharter.tasks.questions import ask_charter, explain
from netcharter.tasks.sources import Source, Unusable

NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "zone", "instant"),
    [
        (None, "Pacific/Auckland", NOW),
        ("2027-01-01", "UTC", datetime(2027, 1, 1, tzinfo=UTC)),
        ("2027-01-01", "Pacific/Auckland", datetime(2026, 12, 31, 11, tzinfo=UTC)),
        ("2027-01-01", "America/Los_Angeles", datetime(2027, 1, 1, 8, tzinfo=UTC)),
        (" 2027-07-01 21:30 ", "Europe/London", datetime(2027, 7, 1, 20, 30, tzinfo=UTC)),
        ("2027-07-01T21:30+00:00", "Europe/London", datetime(2027, 7, 1, 21, 30, tzinfo=UTC)),
        ("2027-07-01T21:30Z", "Asia/Tokyo", datetime(2027, 7, 1, 21, 30, tzinfo=UTC)),
        # The IANA database, file `southamerica`: clocks go on at 24:00 of the Saturday before
        # the first Sunday on or after 2 September, so that this day begins at 01:00.
        ("2024-09-08", "America/Santiago", datetime(2024, 9, 8, 4, tzinfo=UTC)),
        # File `northamerica`, rule Cuba: in November one o'clock strikes and is midnight again.
        ("2024-11-03", "America/Havana", datetime(2024, 11, 3, 4, tzinfo=UTC)),
    ],
)
def test_a_day_begins_when_it_does_at_the_site(
    text: str | None, zone: str, instant: datetime
) -> None:
    assert judged_from(NOW, text, zone) == instant


@pytest.mark.parametrize(
    "text", ["nonsense", "", "2027-02-30", "1970-12-31", "2200-01-01", "9999-12-31", "now", "\x1b"]
)
def test_what_is_no_date_is_told_with_what_to_write(text: str) -> None:
    with pytest.raises(Unusable) as wrong:
        judged_from(NOW, text, "Europe/London")
    (told,) = wrong.value.diagnostics
    assert (told.id, told.span.file) == ("moment-not-understood", "--as-of")
    assert told.help and told.help.startswith("write ")


def site(zone: str) -> Source:
    """A rule ends with the year, and a promise says that it never was."""
    return Source("site.yaml", f"""charter: 1
site: {{name: Hut, timezone: {zone}, managed-from: [desk]}}
lines: {{dsl: {{device: eth0, address: automatic}}}}
areas: {{home: {{device: eth1, hosts: 12}}}}
devices: {{desk: {{area: home, hardware: 02:00:00:aa:00:01, address: lasting}}}}
rules: [{{let: home, reach: internet, with: ssh, until: 2026-12-31}}]
promises: [{{never: home, reach: internet, with: ssh}}]
""".encode())  # fmt: skip


@pytest.mark.parametrize("zone", ["Pacific/Auckland", "America/Los_Angeles", "UTC"])
def test_every_task_takes_the_day_of_the_site(zone: str) -> None:
    last, first = "2026-12-31 23:59", "2027-01-01"
    question = "can home reach internet with ssh"
    for as_of, open_ in ((last, True), (first, False)):
        broken = check(site(zone), NOW, as_of).proof.counts()["promises_broken"]
        assert broken == open_
        assert bool(ask_charter(site(zone), question, NOW, as_of=as_of).answer.rows) == open_
        story = explain(site(zone), "home", "internet", "ssh", NOW, as_of=as_of).stories[0]
        assert story.outcome.let == open_
        shut = Source("shut.yaml", site(zone).text.replace(b"let: home", b"refuse: home"))
        changed = compare_charters(site(zone), shut, NOW, as_of).comparison
        assert bool(changed.closed) == open_


def test_the_page_tells_when_it_was_made_and_from_when_it_is_judged() -> None:
    found = check(site("Asia/Tokyo"), NOW, "2027-01-01")
    page = page_of(found, NOW)
    assert "Wed 25 Nov 2026, 17:00" in page and "Fri 01 Jan 2027, 00:00" in page
