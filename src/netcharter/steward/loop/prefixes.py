"""The gateway's IPv6 addresses as the kernel has them, and their preferred times."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from typing import Any

from netcharter.rollout.run import programs
from netcharter.rollout.shapes import Run
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward import fading
from netcharter.steward.ways import Place, Ways

SLOW = 10.0  # seconds for one program
_COMMAND = ("ip", "-j", "-6", "address", "show")


def there(ways: Ways) -> dict[Place, bool]:
    """Every address on the devices, and whether its preferred time is over; nothing where no line has
    a prefix. Raises EffectFailed where `ip` does not answer, or not as it is known to."""
    return read(programs.run(Run(_COMMAND, seconds=SLOW)).out) if ways.prefixes else {}


def read(said: bytes) -> dict[Place, bool]:
    """What `ip -j -6 address` says. Raises EffectFailed."""
    try:
        return dict(_each(json.loads(said or b"[]")))
    except (ValueError, TypeError, KeyError, AttributeError):
        raise EffectFailed(
            " ".join(_COMMAND), "its answer is not what it is known to say"
        ) from None


def _each(rows: list[dict[str, Any]]) -> Iterator[tuple[Place, bool]]:
    for row in rows:
        for one in row.get("addr_info", ()) if row else ():
            place = str(row["ifname"]), f"{one['local']}/{one['prefixlen']}"
            yield place, one["preferred_life_time"] == 0


def fade(ways: Ways, lines: Collection[str]) -> None:
    """Hosts are led away from the prefixes of these lines, and from no other's. Raises EffectFailed
    where the kernel does not take that; an address that is gone meanwhile is no fault."""
    text = fading.amiss(ways, lines, there(ways))
    if text:
        command = ("ip", "-6", "-force", "-batch", "-")
        programs.run(Run(command, text.encode("ascii"), fails=False, seconds=SLOW))
        if left := fading.amiss(ways, lines, there(ways)):
            first = left.partition("\n")[0]
            raise EffectFailed("leading hosts away", f"the kernel does not take `{first}`")
