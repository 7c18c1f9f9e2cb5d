"""Where the steward is asked, unless another place is named."""

from __future__ import annotations

SOCKET = "/run/netcharter/steward.sock"
