"""Where things are on a machine, unless another place is named."""

from __future__ import annotations

STATE = "/var/lib/netcharter"  # the state folder
