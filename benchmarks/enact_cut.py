"""How long one who is refused by a new kit talks on after the exchange, seen by that one itself.

Run it with `python -m benchmarks.enact_cut [TIMES]`.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from statistics import median

from tests.cli.cutting import Cut, cuts
from tests.cli.gateway import gateway


def measured(times: int) -> list[Cut]:
    found: list[Cut] = []
    with tempfile.TemporaryDirectory() as folder, gateway(Path(folder)) as place:
        place.kept()
        place.logged_in()
        for _ in range(times):
            found += cuts(place)
            assert place.run("undo").code == 0
    return found


def main() -> None:
    found = measured(int(sys.argv[1]) if len(sys.argv) > 1 else 20)
    for name in dict.fromkeys(one.name for one in found):
        mine = [one for one in found if one.name == name]
        seconds = sorted(one.last for one in mine)
        cut = sum(one.silent and not one.tracked for one in mine)
        print(
            f"{name}: {cut} of {len(mine)} cut; last answer after the exchange began: "
            f"least {seconds[0]:.3f} s, median {median(seconds):.3f} s, most {seconds[-1]:.3f} s"
        )


if __name__ == "__main__":
    main()
