"""The conversations that this machine's kernel tracks, as the proofs have them."""

from __future__ import annotations

from netcharter.proofs.conversations import Conversation, Ends
from netcharter.rollout.run import tracking
from netcharter.rollout.run.netlink import Netfilter
from netcharter.rollout.run.tracking import Direction, Tracked


def conversations(kernel: Netfilter) -> tuple[Conversation, ...]:
    """What connection tracking knows of. Raises OSError, EffectFailed."""
    return tuple(map(_read, tracking.conversations(kernel)))


def cut(kernel: Netfilter, one: Conversation) -> bool:
    """No longer track it; False if it was over already. Raises OSError."""
    return tracking.cut(kernel, _written(one))


def _read(one: Tracked) -> Conversation:
    sent, answered = (Ends(d.source, d.destination, d.ports) for d in (one.sent, one.answered))
    return Conversation(one.protocol, sent, answered, one.mark, one.zone, one.number)


def _written(one: Conversation) -> Tracked:
    sent, answered = (Direction(d.source, d.destination, d.ports) for d in (one.sent, one.answered))
    return Tracked(one.protocol, sent, answered, one.mark, one.zone, one.number)
