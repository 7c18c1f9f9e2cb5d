"""Whether a kept kit is what this program makes of the same charter now."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping

from netcharter.diagnostics.escape import terminal
from netcharter.plan.shapes import Plan
from netcharter.render import render
from netcharter.render.escape import uncommented
from netcharter.report.wording import counted
from netcharter.rollout.store import MANIFEST
from netcharter.tasks.units import PROGRAM

SHOWN = 3  # files that are named
SO = (
    "So the gateway may differ from the plan though nobody has changed it, and mending can't end "
    "that: "
)


def of_another(plan: Plan, files: Mapping[str, bytes], differs: bool) -> Iterator[str]:
    """A sentence if this program makes another kit of the kept charter, whose plan it is, than
    `files`, which were made of it when it was put in place: then the gateway may differ from the
    plan though nobody changed it. differs: whether it does. Comments do not count: they have the
    name of the charter's file.
    """
    try:
        made = render(plan, PROGRAM).files
    except ValueError as fault:
        yield (
            "what is kept was made by another Netcharter than this one, which can't make a kit of "
            f"the same charter: {terminal(str(fault))}"
        )
        return
    new, old = _told(made), _told(files)
    other = sorted(name for name in new.keys() | old.keys() if new.get(name) != old.get(name))
    if not other:
        return
    named = ", ".join(map(terminal, other[:SHOWN])) + (", ..." if len(other) > SHOWN else "")
    yield (
        "what is kept was made by another Netcharter than this one, or by one at another place: of "
        f"the same charter this one makes {counted(len(other), 'file')} otherwise ({named}). "
        f"{SO if differs else ''}`netcharter enact CHARTER --prepare` says what the newer kit takes, "
        "`netcharter enact CHARTER` puts it on trial"
    )


def _told(files: Mapping[str, bytes]) -> dict[str, object]:
    """What the files of a kit say; of the manifest that but who made it, and what the others say
    themselves."""
    told: dict[str, object] = {name: uncommented(data) for name, data in files.items()}
    manifest = json.loads(files[MANIFEST])
    told[MANIFEST] = {key: manifest[key] for key in manifest if key not in ("netcharter", "files")}
    return told
