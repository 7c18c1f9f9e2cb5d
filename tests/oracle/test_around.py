"""Ways around of random charters, against the naive interpreter and the table written again.

Attempts are drawn with the services of each means. What is let must be told as open or undecidable,
with the decision that lets it, and not before the instant that is told; every connection that is
shown must be let. Which services a means has stands here a second time (RFC numbers beside them).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from random import Random

from netcharter.proofs.around import Around, Way, around
from netcharter.proofs.certify import Prover
from netcharter.proofs.story import row_name
from tests.oracle import naive
from tests.oracle.compared import NOW, Pair, decider, pair
from tests.oracle.naive import Attempt, Environment
from tests.oracle.random_attempts import Attempts
from tests.oracle.site import NOBODY
from tests.oracle.test_proofs_agree import concrete

CHARTERS, QUESTIONS = 8, 1500
TOLD = {
    (17, 53): {"other-resolvers"},  # RFC 1035
    (6, 53): {"other-resolvers"},
    (6, 853): {"dns-over-tls"},  # RFC 7858
    (17, 853): {"dns-over-quic"},  # RFC 9250
    (6, 443): {"dns-over-https", "inside-https"},  # RFC 8484, RFC 9110
    (17, 443): {"dns-over-https", "inside-https", "quic"},  # RFC 9114
    (4, 0): {"ip-in-ip"},  # RFC 2003
    (41, 0): {"ipv6-in-ip"},  # RFC 4213
    (47, 0): {"gre"},  # RFC 2784
    (50, 0): {"esp"},  # RFC 4303
    (51, 0): {"ah"},  # RFC 4302
    (17, 4500): {"ike"},  # RFC 3948
    (17, 1701): {"l2tp"},  # RFC 2661
    (6, 1723): {"pptp"},  # RFC 2637
    (6, 22): {"ssh"},  # RFC 4254
    (1, 8 << 8): {"inside-pings"},  # RFC 792
    (58, 128 << 8): {"inside-pings"},  # RFC 4443
    (6, 80): {"other-ports"},
    (17, 5000): {"other-ports"},
    (6, 5060): {"other-ports"},
    (132, 443): {"other-protocols"},  # RFC 9260
}


def asked(found: Pair) -> Iterator[tuple[Attempt, Environment]]:
    """Attempts from areas to the internet, mostly of hosts with proper sources."""
    rng = Random(f"{found.seed} around")
    drawn = Attempts(found.site, rng, NOW)
    for _ in range(QUESTIONS):
        attempt, around_it = drawn.draw()
        area = found.site.areas.get(attempt.entrance)
        if area is None:
            continue
        version = naive.family(attempt.source)
        wanted = [one for one in TOLD if one[0] != (58 if version == 4 else 1)]
        protocol, number = rng.choice(wanted)
        sentence = rng.choice(found.site.rules) if found.site.rules else None
        if sentence is not None and rng.random() < 0.5:
            parts = [one for one in wanted if naive.serves(sentence.services, *one)]
            protocol, number = rng.choice(parts or wanted)
        to = rng.choice(drawn.internet[version])
        who = around_it.who if area.sign_in else NOBODY
        one = replace(attempt, destination=to, protocol=protocol, number=number)
        if naive.exists(found.site, one, replace(around_it, who=who)):
            yield one, replace(around_it, who=who)


def ways_of(told: Around, attempt: Attempt) -> Iterator[Way]:
    """The rows that have to know of an attempt that is let."""
    keys = {"literal-addresses", *TOLD[attempt.protocol, attempt.number]}
    here = told.of(attempt.entrance, naive.family(attempt.source))
    yield from (one for one in here if one.channel.key in keys)


def test_what_is_let_is_told_and_what_is_told_is_let() -> None:
    met: Counter[str] = Counter()
    for number in range(CHARTERS):
        found = pair(number)
        prover = Prover(found.plan, NOW)
        told = around(prover)
        for attempt, environment in asked(found):
            fate = naive.fate(found.site, attempt, environment)
            met[fate.verdict] += 1
            if fate.verdict != "let":
                continue
            for way in ways_of(told, attempt):
                why = f"{found.seed}\n{found.text}\n{attempt}\n{environment}\n{fate}\n{way}"
                assert way.stands == ("undecidable" if way.channel.hidden else "open"), why
                assert way.first is not None and way.first <= environment.instant, why
                names = {decider_told(found, one.decided_by) for one in way.openings}
                assert not told.complete or fate.decider in names, why
        met["closed"] += sum(one.stands == "closed" for one in told.ways)
        met["witnesses"] += sum(shown_is_let(found, prover, one) for one in told.ways)
    # That all was met at all; how often differs widely between sets of charters.
    assert met["let"] >= 10 and met["closed"] >= 30 and met["witnesses"] >= 10, met


def decider_told(found: Pair, told: str) -> str:
    """A decision by its name in the charter, from how it is called in a sentence."""
    return next(decider(found.plan, row) for row in found.plan.rows if row_name(row) == told)


def shown_is_let(found: Pair, prover: Prover, way: Way) -> bool:
    """Whether a connection is shown; then the naive interpreter lets it, too."""
    if way.point is None:
        assert way.stands == "closed" and way.witness is None
        return False
    assert way.stands != "closed" and way.openings and way.witness is not None
    attempt, environment = concrete(found, prover.universe, way.point)
    fate = naive.fate(found.site, attempt, environment)
    assert fate.verdict == "let" and attempt.entrance == way.area, f"{found.text}\n{way}\n{fate}"
    assert fate.decider == decider(found.plan, way.witness.row)
    return True
