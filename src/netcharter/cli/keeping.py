"""`--keep`: the areas of an earlier kit keep the prefixes and numbers that they have there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from netcharter.cli.common import read_bytes, source

MANIFEST = "manifest.json"

keep_option = click.option(
    "--keep",
    metavar="KIT",
    type=click.Path(path_type=Path),
    help="let areas keep the prefixes and numbers they have in this kit (its folder or manifest)",
)


def kept_source(charter: Path, keep: Path | None) -> Any:
    """A charter's text, its areas numbered as in an earlier kit. Raises Unusable."""
    from dataclasses import replace

    found = source(charter)
    return found if keep is None else replace(found, kept=_kept(keep))


def _kept(keep: Path) -> Any:
    from netcharter.tasks.keeping import NotAKit, kept_areas
    from netcharter.tasks.sources import unusable

    try:
        manifest = keep / MANIFEST if keep.is_dir() else keep
        return kept_areas(str(keep), read_bytes(manifest))
    except (OSError, NotAKit) as fault:
        reason = fault.strerror if isinstance(fault, OSError) else str(fault)
        raise unusable(
            "cannot-keep",
            f"what its areas have can't be taken from here: {(reason or 'unknown reason').lower()}",
            str(keep),
            "",
            "name the folder of a kit, or its manifest.json",
        ) from None
