"""What the sets of places hold that are made of names, and with whom somebody is connected."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import suppress

from netcharter.rollout.run import programs
from netcharter.rollout.run.netlink import Netfilter
from netcharter.rollout.run.tracking import conversations
from netcharter.rollout.shapes import Run
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward import nft
from netcharter.steward.shapes import Leads, Led, Renewal

SECONDS = 20.0  # for one call of nft


def leads(led: Iterable[Led]) -> Leads | None:
    """What is there just now; None where no place is made of names, or the kernel does not tell."""
    names = [name for one in led for name in (one.set, one.asked)]
    if not names:
        return None
    try:
        with Netfilter() as kernel:
            connected = frozenset(str(one.sent.destination) for one in conversations(kernel))
        # What was asked for is looked at first: what is asked for after that is there next time.
        found = {name: _held(name) for name in sorted(names)}
    except (OSError, EffectFailed):
        return None
    return Leads(found, connected)


def _held(name: str) -> Mapping[str, float]:
    """The addresses of a set, each with the seconds it has left."""
    command = ("nft", "-j", "list", "set", *nft.TABLE.split(" "), name)
    return nft.elements(programs.run(Run(command, seconds=SECONDS)).out)


def renew(renewals: Iterable[Renewal]) -> None:
    """Raises EffectFailed where what is in use could not be renewed. What could not go stays."""
    for one in renewals:
        for text in nft.renewed(one):
            _load(text)
        for address in one.dropped:
            with suppress(EffectFailed):
                _load(nft.dropped(one, address))


def _load(text: str) -> None:
    programs.run(Run(("nft", "-f", "-"), text.encode("ascii"), seconds=SECONDS))
