"""`render`: the kit of a charter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from netcharter.render import Kit, render
from netcharter.tasks.sources import Source, load_plan


@dataclass(frozen=True)
class Rendered:
    """A kit: files by name, with their digests in its manifest."""

    kit: Kit

    def as_json(self, folder: str) -> dict[str, Any]:
        """`ok`, `folder`, `files` [{`name`, `size`, `sha256`}]."""
        return {"ok": True, "folder": folder, "files": self.kit.listing()}


def render_charter(source: Source) -> Rendered:
    """Plan and render. Raises Unusable where the text is no charter."""
    return Rendered(render(load_plan(source).plan))
