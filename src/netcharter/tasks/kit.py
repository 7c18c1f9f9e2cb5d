"""`render`: the kit of a charter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from netcharter.diagnostics import Diagnostic
from netcharter.render import Kit, render
from netcharter.report.limits import CAUTIONS, cautions, told
from netcharter.tasks.keeping import Kept
from netcharter.tasks.sources import Source, Unusable, usable_plan
from netcharter.tasks.units import PROGRAM


@dataclass(frozen=True)
class Rendered:
    """A kit: files by name, with their digests in its manifest."""

    kit: Kit
    kept: Kept | None = None
    cautions: tuple[str, ...] = ()

    def as_json(self, folder: str) -> dict[str, Any]:
        """`ok`, `folder`, `files` [{`name`, `size`, `sha256`}]."""
        return {"ok": True, "folder": folder, "files": self.kit.listing()}

    def lines(self, folder: str, width: int = 100) -> Iterator[str]:
        """What was written, and what it is not yet."""
        yield f"kit written to {folder}:"
        for file in self.kit.listing():
            yield f"  {file['sha256'][:16]}  {file['size']:>8}  {file['name']}"
        if self.kept is not None:
            yield f"Areas keep the prefixes and numbers they had in {self.kept.name}; to judge the"
            yield f"charter with them, add `--keep {folder}` to check, show, ask, why and compare."
        yield "Nothing has been put in place."
        yield from told("please mind", (CAUTIONS["console"], *self.cautions), width)


def render_charter(source: Source) -> Rendered:
    """Plan and render. Raises Unusable where the text is no charter, or its plan has errors."""
    loaded = usable_plan(source)
    try:
        return Rendered(render(loaded.plan, PROGRAM), source.kept, cautions(loaded.plan))
    except ValueError as fault:
        span = loaded.plan.charter.where()
        wrong = Diagnostic("cannot-render", "error", str(fault), span)
        raise Unusable((wrong,), loaded.texts) from None
