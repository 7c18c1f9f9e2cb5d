"""The server of the gateway's pages: the only part of this room that touches the world."""

from __future__ import annotations

from netcharter.gate.server.serving import serve

__all__ = ["serve"]
