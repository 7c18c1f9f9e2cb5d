"""`--keep`: the areas of an earlier kit keep the prefixes and numbers that they have there.

`--learnt`: what holds where a provider delegates this prefix, or a list holds what is in a file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import click

from netcharter.cli.common import read_bytes, read_list, source

MANIFEST = "manifest.json"

keep_option = click.option(
    "--keep",
    metavar="KIT",
    type=click.Path(path_type=Path),
    help="let areas keep the prefixes and numbers they have in this kit (its folder or manifest)",
)
learnt_option = click.option(
    "--learnt",
    multiple=True,
    metavar="NAME=WHAT",
    help="as if the provider delegated this IPv6 prefix over the line NAME, or the list NAME held what"
    " this file holds; for several, again",
)


def kept_source(charter: Path, keep: Path | None, learnt: Sequence[str] = ()) -> Any:
    """A charter's text, its areas numbered as in an earlier kit, with prefixes that providers have
    delegated. Raises Unusable."""
    from dataclasses import replace

    found = source(charter)
    if keep is not None:
        found = replace(found, kept=_kept(keep))
    return with_learnt(learnt, found)[0]


def with_learnt(learnt: Sequence[str], *sources: Any) -> tuple[Any, ...]:
    """The same sources with prefixes that providers have delegated over lines of any of them, and with
    what lists of any of them hold. Raises Unusable."""
    if not learnt:
        return sources
    from dataclasses import replace

    from netcharter.tasks.learning import as_said, lists_as_said

    def read_file(name: str) -> bytes:
        return read_list(Path(name))

    lists, others = lists_as_said(sources, learnt, read_file)
    known = as_said(sources, others)
    return tuple(replace(one, learnt=known, lists=lists) for one in sources)


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
