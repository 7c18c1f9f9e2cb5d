"""Units of packages that the kit's own set aside: which of them it can't.

They are masked until the machine starts anew. A unit of the same name in /etc stands before that
(systemd.unit(5)), so that it can begin again whenever somebody asks for it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from netcharter.render import clock, resolver, withholding
from netcharter.render.placing import UNITS
from netcharter.rollout.preparing.shapes import Facts, Found, Wanted

ASIDE: Mapping[str, str] = {  # by a file of the kit whose unit does so
    clock.AT: clock.THEIRS,
    resolver.AT: resolver.THEIRS,
    withholding.AT: withholding.THEIRS,
}


def aside_findings(wanted: Wanted, facts: Facts) -> Iterator[Found]:
    """All there is to say of it."""
    for placed, unit in ASIDE.items():
        path = f"{UNITS}/{unit}"
        if placed in wanted.placed and facts.files.get(path, b"").strip():
            yield Found(
                "unit-not-set-aside",
                "warning",
                f"{path} is this machine's own, so that the kit can't keep {unit} from beginning again"
                " beside its own",
                f"systemctl disable --now {unit}; then take the file away, and keep what you changed"
                f" with `systemctl edit {unit}`",
                unit,
            )
