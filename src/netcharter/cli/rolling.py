"""What the commands of a roll-out share: the state folder, who acts, and refusals in words."""

from __future__ import annotations

import os
import pwd
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, ParamSpec

import click

from netcharter.tasks.places import STATE

P = ParamSpec("P")
ASKED_FOR = "it was asked for"  # why a trial is undone, where nobody says more


class Whole(click.IntRange):
    """A whole number, in plain digits."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        if isinstance(value, str) and not re.fullmatch(r"-?[0-9]{1,18}", value):
            self.fail(f"{value!r} is no whole number in digits, as 3", param, ctx)
        return super().convert(value, param, ctx)


state_option = click.option(
    "--state",
    type=click.Path(file_okay=False, path_type=Path),
    default=STATE,
    metavar="FOLDER",
    help=f"the state folder (else {STATE})",
)


def who() -> str:
    """Who acts: the person behind `sudo` rather than root."""
    named = os.environ.get("SUDO_USER") or os.environ.get("LOGNAME")
    if named:
        return named
    try:
        return pwd.getpwuid(os.getuid()).pw_name
    except KeyError:
        return str(os.getuid())


def work(state: Path, quiet: bool = False) -> Any:
    """Work on this machine. quiet: steps are not told."""
    from netcharter.cli.common import safe
    from netcharter.tasks.enacting.acts import work_at

    def told(words: str) -> None:
        if not quiet:
            click.echo(safe(f"  {words}"), err=True)

    return work_at(os.path.abspath(state), who(), told)


def brought_up(version: int, state: Path) -> list[str]:
    """What to say where a reboot does not bring up what is kept; nothing where it does."""
    from textwrap import wrap

    from netcharter.cli.common import width
    from netcharter.tasks import units

    where = os.path.abspath(state)
    if version == 0 or units.brought_up(where):
        return []
    return wrap(units.unfitted_words(where), width())


def refused(function: Callable[P, int]) -> Callable[P, int]:
    """For a command: a refusal of the roll-out is told in words, and is exit 2."""
    from functools import wraps

    @wraps(function)
    def run(*args: P.args, **kwargs: P.kwargs) -> int:
        from netcharter.cli.common import print_json, safe
        from netcharter.tasks.enacting.acts import REFUSALS

        try:
            return function(*args, **kwargs)
        except REFUSALS as fault:
            if kwargs.get("as_json"):
                print_json({"ok": False, "state": "refused", "reason": str(fault)})
            else:
                click.echo(safe(f"refused: {fault}"), err=True)
            return 2

    return run
