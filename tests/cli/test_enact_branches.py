"""Ten ways to saw off the branch one sits on, by the real command on a gateway with real sessions.

A good version is kept, an administrator's conversation stands, and then a charter is enacted that
would shut them out. Each is refused with the reason and its place in the charter, and nothing has
changed; where nobody can know, it is undone by the timer, and the way in is tried with a real
connection.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from dataclasses import dataclass

import pytest

from tests.cli.gateway import (
    CHARTER,
    COPPER,
    DESK,
    FAR,
    HURRY,
    MAST,
    SERVER,
    SSH,
    Gateway,
    gateway,
    unordered,
)

pytestmark = pytest.mark.kernel

CARE = "  - {let: bank, reach: gateway, with: ssh, because: care from afar}\n"
PORTIONS = "portions:\n  - {on: copper, for: office, ceiling: 0 Mbit/s, because: a slip}\n"
NAMES = "names:\n  - {withhold: gateway.example, for: anyone, because: a slip}\n"


@dataclass(frozen=True)
class Way:
    """A way to lock oneself out, as what stands instead of what in the good charter.

    check: which check refuses it, None if it is no charter; says: what is told; at: what stands in
    the line of the charter that is shown; by: the session's own way in.
    """

    title: str
    changes: tuple[tuple[str, str], ...]
    says: tuple[str, ...]
    at: str
    check: str | None = "management"
    by: str = "desk"

    @property
    def charter(self) -> str:
        text = CHARTER
        for old, new in self.changes:
            assert text.count(old) == 1
            text = text.replace(old, new)
        return text


def care(new: str) -> tuple[tuple[str, str], ...]:
    return ((CARE, new),)


WAYS = (
    Way(
        "order",
        care("  - {refuse: internet, reach: gateway, with: ssh, because: noise}\n" + CARE),
        ("refused in silence by rule 1", FAR),
        "refuse: internet",
        by="copper",
    ),
    Way(
        "barred device",
        (("address: 10.7.0.5}", "address: 10.7.0.5, barred: true}"),),
        ("desk", "'barred'"),
        "barred: true",
    ),
    Way(
        "renumbered area",
        (("prefix: 10.7.0.0/27", "prefix: 10.99.0.0/27"), ("10.7.0.5", "10.99.0.5"),
         ("10.7.0.6", "10.99.0.6")),
        (f"{SERVER}, the address you use, is none of the gateway's any more",),
        "prefix: 10.99.0.0/27",
    ),
    Way(
        "wrong device name",
        (("device: eth2", "device: eth22"),),
        ("you come in by eth2", "no area"),
        "device: eth22",
    ),
    Way(
        "names of devices exchanged",
        (("device: eth2", "device: ethX"), ("device: eth5", "device: eth2"),
         ("device: ethX", "device: eth5")),
        (f"you come in at barn from {DESK}", "belongs to desk"),
        "barn: {device: eth2",
    ),
    Way(
        "hours",
        care(CARE.replace("ssh,", "ssh, during: day,")),
        ("the default", "by rule 1, but not always"),
        "during: day",
        by="copper",
    ),
    Way(
        "expiry",
        care(CARE.replace("ssh,", "ssh, until: 2031-03-31,")),
        ("01 Apr 2031", "the default", "by rule 1, but not always"),
        "until: 2031-03-31",
        by="copper",
    ),
    Way("portion of nothing", ((CARE, CARE + PORTIONS),), ("portions",), "portions:", None),
    Way(
        "a place by its name",
        (("prefixes: [198.51.100.64/28]", "domains: bank.example"),),
        ("`bank` is made of domain names, which are only reached",),
        "let: bank",
        None,
        "copper",
    ),
    Way(
        "rules below names",
        ((CARE, CARE + NAMES),),
        ("a names rule lacks `for`",),
        "let: office, reach: internet",
        None,
    ),
    Way(
        "standby line",
        care(CARE.replace("let: bank", "let: copper")),
        ("comes in by mast", "the default", "not by mast"),
        "let: copper",
        by="mast",
    ),
    Way(
        "typo in a name",
        (("managed-from: desk", "managed-from: dsek"),),
        ("dsek", "desk"),
        "managed-from: dsek",
        None,
    ),
    Way(
        "typo in a hardware address",
        (("02:00:00:aa:00:01", "02:00:00:aa:00:11"),),
        ("'bound'",),
        "managed-from",
    ),
)  # fmt: skip
SESSIONS = {
    "copper": f"{FAR} 40000 {COPPER} {SSH}",
    "mast": f"{FAR} 40000 {MAST} {SSH}",
}


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Gateway]:
    """A gateway with a version that is kept, and the desk's conversation."""
    with gateway(tmp_path_factory.mktemp("gateway")) as found:
        found.kept()
        found.logged_in()
        yield found


def ways_in(place: Gateway) -> dict[str, bool]:
    """Which ways in answer, by real connections."""
    return {
        "the session": place.desk.do("say"),
        "desk": place.desk.do("probe", SERVER, SSH, DESK),
        "copper": place.far.do("probe", COPPER, SSH, FAR),
        "mast": place.far.do("probe", MAST, SSH, FAR),
    }


def all_open(place: Gateway) -> bool:
    return all(ways_in(place).values())


@pytest.mark.parametrize("way", WAYS, ids=lambda way: way.title.replace(" ", "-"))
def test_a_charter_that_shuts_one_out_is_refused(good: Gateway, way: Way) -> None:
    good.write("charter.yaml", way.charter)
    session = SESSIONS.get(way.by, good.session)
    before, history = good.look(), (good.folder / "state/history.jsonl").read_bytes()

    told = good.run("enact", "charter.yaml", *HURRY, as_json=False, SSH_CONNECTION=session)
    asked = good.run("enact", "charter.yaml", *HURRY, SSH_CONNECTION=session)

    assert good.look() == before
    assert (good.folder / "state/history.jsonl").read_bytes() == history
    assert told.code == asked.code == (2 if way.check is None else 1), told.told
    assert "Traceback" not in told.told + asked.told
    words = " ".join(told.told.split())
    number = 1 + next(n for n, row in enumerate(way.charter.splitlines()) if way.at in row)
    assert f"charter.yaml:{number}:" in words
    for said in way.says:
        assert said in words
    found = asked.json()
    for one in found.get("refused", ()):
        assert "charter.yaml:" in one["reason"]
    if way.check is None:
        assert next(one["span"]["line"] for one in found["diagnostics"]) == number
        return
    (reason,) = (one["reason"] for one in found["refused"] if one["check"] == way.check)
    assert reason.startswith(f"charter.yaml:{number}:")
    assert found["management"]["span"]["line"] == number
    assert found["state"] == "refused" and found["version"] is None


def test_and_after_all_of_that_every_way_in_answers(good: Gateway) -> None:
    assert all_open(good), ways_in(good)
    assert good.run("holds").json()["state"] == "as planned"


def test_a_wrong_device_that_nobody_can_know_of_is_undone_by_the_timer(good: Gateway) -> None:
    """At the console nothing tells that the office is plugged in at eth2. The plan holds, the
    kernel has it, and the desk is shut out, until the timer has its way."""
    text = CHARTER
    for old, new in (("eth2", "ethX"), ("eth5", "eth2"), ("ethX", "eth5")):
        text = text.replace(old, new)
    good.write("charter.yaml", text)
    before = good.look()
    assert all_open(good)

    done = good.run("enact", "charter.yaml", *HURRY, "--within", "30", SSH_CONNECTION="")
    assert done.code == 0, done.told
    assert done.json()["state"] == "waiting"
    assert good.look() != before
    assert not good.desk.do("probe", SERVER, SSH, DESK)

    over(good, 120)
    assert unordered(good.look()) == unordered(before)
    good.logged_in()  # the conversation of before was cut, as every one that the plan refuses
    assert all_open(good), ways_in(good)
    event = json.loads((good.folder / "state/history.jsonl").read_text().splitlines()[-1])
    assert (event["what"], event["why"]) == ("undone", "it was not kept in time")
    assert good.run("holds").json()["state"] == "as planned"


def over(place: Gateway, seconds: float) -> None:
    """Wait until no trial is under way."""
    end = time.monotonic() + seconds
    while (place.folder / "state" / "trial").exists():
        assert time.monotonic() < end, "it was not undone"
        time.sleep(0.2)
