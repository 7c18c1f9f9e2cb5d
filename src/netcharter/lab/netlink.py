"""Questions of a lab to the kernel's netfilter: counters, and forgetting.

By netlink (the kernel's nf_tables.h and nfnetlink_conntrack.h).
"""

from __future__ import annotations

import struct

from netcharter.lab.trouble import LabFailed
from netcharter.rollout.run import netlink
from netcharter.rollout.run.netlink import attribute, attributes
from netcharter.rollout.trouble import EffectFailed

_FORGET = 1 << 8 | 2  # NFNL_SUBSYS_CTNETLINK, IPCTNL_MSG_CT_DELETE
_OBJECTS = 10 << 8 | 19  # NFNL_SUBSYS_NFTABLES, NFT_MSG_GETOBJ
_INET = 1  # NFPROTO_INET
_TABLE, _NAME, _KIND, _DATA = 1, 2, 3, 4  # NFTA_OBJ_*
_COUNTER = 1  # NFT_OBJECT_COUNTER
_PACKETS = 2  # NFTA_COUNTER_PACKETS
_FAMILY = 4  # bytes of struct nfgenmsg


class Interrupted(LabFailed):
    """The ruleset changed while it was being listed."""


class Netfilter(netlink.Netfilter):
    """The same, with what only a lab asks for."""

    def forget(self) -> None:
        """No conversation is remembered any more. Raises OSError if the kernel refuses."""
        self.order(_FORGET, b"\0" * _FAMILY)

    def counters(self, table: str) -> dict[str, int]:
        """Packets by named counter of a table of family inet. Raises OSError if there is none,
        Interrupted if somebody changes the ruleset all the time.
        """
        said = bytes((_INET, 0, 0, 0))
        said += attribute(_TABLE, table.encode() + b"\0")
        said += attribute(_KIND, struct.pack(">I", _COUNTER))
        try:
            return dict(_counter(body) for body in self.everything(_OBJECTS, said))
        except EffectFailed as fault:
            raise Interrupted(fault.said) from None


def _counter(body: bytes) -> tuple[str, int]:
    said = attributes(body[_FAMILY:])
    packets = attributes(said[_DATA])[_PACKETS]
    return said[_NAME].rstrip(b"\0").decode(), int.from_bytes(packets, "big")
