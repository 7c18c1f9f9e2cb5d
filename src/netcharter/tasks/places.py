"""Where things are on a machine, for options of commands: quick to load, as their help is to be."""

from __future__ import annotations

from netcharter.rollout.places import STATE
from netcharter.steward.places import SOCKET

__all__ = ["SOCKET", "STATE"]
