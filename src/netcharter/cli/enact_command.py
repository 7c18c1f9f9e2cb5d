"""`netcharter enact CHARTER`."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import click

from netcharter.cli.common import (
    INTERRUPTED,
    charter_argument,
    clock,
    exits,
    json_option,
    print_json,
    safe,
    source,
    told,
    width,
)
from netcharter.cli.progress import progress
from netcharter.cli.remote import elsewhere, on_option
from netcharter.cli.rolling import ASKED_FOR, brought_up, refused, state_option, work
from netcharter.tasks.enacting.checks import CHECKS


@click.command("enact")
@charter_argument
@state_option
@click.option(
    "--waive",
    multiple=True,
    type=click.Choice(CHECKS),
    help="put it in place although this check fails; recorded, and needs --because",
)
@click.option("--because", default="", metavar="TEXT", help="why, for the history")
@click.option(
    "--within",
    type=click.IntRange(30, 86_400),
    default=300,
    metavar="SECONDS",
    help="undo it unless it is kept within so many seconds (else 300)",
)
@click.option(
    "--set-aside",
    multiple=True,
    metavar="TABLE",
    help="a table of nftables of others that goes while this is in place ('ip filter')",
)
@click.option(
    "--leave",
    multiple=True,
    metavar="AREA",
    help="an area that stays on the old gateway for now; may be said more than once",
)
@on_option
@click.option("--yes", is_flag=True, help="do not ask, and do not wait here until it is kept")
@click.option("--prepare", is_flag=True, help="look what this machine lacks for it; change nothing")
@click.option(
    "--ports", is_flag=True, help="with --prepare: tell by their cables which socket is which"
)
@click.option(
    "--output", "-o", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE",
    help="with --ports: write the charter with the devices that were found",
)  # fmt: skip
@click.option("--clocks", hidden=True, help="the clock changes where it was planned")
@click.option("--only-judge", is_flag=True, help="judge it for this machine; change nothing")
@json_option
@exits
@refused
def cli(charter: Path, state: Path, on: str | None, as_json: bool, **said: Any) -> int:
    """Put a charter in place on this machine, on trial: it is undone unless you keep it."""
    _sensible(on, said)
    if on is not None:
        return elsewhere(on, charter, ("--clocks", _clocks_here(charter)))
    if said["prepare"]:
        return _prepared(charter, state, as_json, said)
    rolling = work(state, quiet=as_json)
    stood = _stands(rolling, said)
    ready = _judged(rolling, charter, said)
    if not as_json:
        _show_ready(ready)
    if not ready.ok or said["only_judge"]:
        if as_json:
            print_json(ready.as_json())
        return 0 if ready.ok else 1
    if not _wanted(ready, said, as_json):
        return 1
    return _enacted(rolling, ready, stood, said, as_json)


def _clocks_here(charter: Path) -> str:
    """When the site's clocks change, as this machine knows it, for the machine where it is enacted."""
    from netcharter.tasks.sources import usable_plan
    from netcharter.tasks.zones import told_to_others

    return told_to_others(usable_plan(source(charter)).plan.timezone, clock())


def _other_clocks(given: Any, clocks: str | None) -> list[str]:
    """What is said where they change otherwise here."""
    from netcharter.tasks.sources import usable_plan
    from netcharter.tasks.zones import unlike

    if clocks is None:
        return []
    try:
        found = unlike(usable_plan(given).plan.timezone, clocks)
    except (ValueError, OverflowError):
        raise click.UsageError("--clocks is for Netcharter itself to say") from None
    return [found] if found else []


def _stands(rolling: Any, said: dict[str, Any]) -> Any:
    """How things stand before it is judged, which takes a while. Raises RolloutRefused where
    something is on trial, unless it is only to be judged."""
    from netcharter.tasks.enacting import acts

    return acts.standing(rolling) if said["only_judge"] else acts.free(rolling)


def _wanted(ready: Any, said: dict[str, Any], as_json: bool) -> bool:
    """Whether the keeper says yes; a no, or no answer at all, is told as JSON too."""
    agreed = False
    try:
        agreed = said["yes"] or click.confirm("Put it in place on trial?", err=as_json)
        return agreed
    finally:
        if as_json and not agreed:
            print_json({**ready.as_json(), "ok": False, "state": "declined"})


def _sensible(on: str | None, said: dict[str, Any]) -> None:
    """Raises UsageError for options that do not go together."""
    if said["waive"] and not said["because"]:
        raise click.UsageError("--waive needs --because: it is recorded")
    if said["ports"] and not said["prepare"]:
        raise click.UsageError("--ports belongs to --prepare")
    if said["output"] and not said["ports"]:
        raise click.UsageError("--output belongs to --ports")
    if said["output"] and on is not None:
        raise click.UsageError("without --output the changes are shown, to be made in your copy")


def _prepared(charter: Path, state: Path, as_json: bool, said: dict[str, Any]) -> int:
    if said["ports"]:
        from netcharter.cli.ports import told_apart

        return told_apart(charter, said["leave"], said["output"], as_json, yes=said["yes"])
    from netcharter.tasks.preparing import prepared

    found = prepared(source(charter), said["leave"], os.path.abspath(state))
    if as_json:
        print_json(found.as_json())
    else:
        _show(found.lines())
    return 0 if found.ok else 1


def _judged(rolling: Any, charter: Path, said: dict[str, Any]) -> Any:
    from netcharter.tasks.cutover import cut_over
    from netcharter.tasks.enacting import acts
    from netcharter.tasks.enacting.here import here, ssh_connection
    from netcharter.tasks.enacting.ready import judged

    connection = ssh_connection(os.environ)
    acts.demand_tables(rolling, said["set_aside"])
    given = acts.with_kept_areas(rolling, source(charter))
    cut = cut_over(given, said["leave"]) if said["leave"] else None
    notes = [f"not used: {why}" for why in acts.delegated(rolling, given)[1].values()]
    notes += _other_clocks(given, said["clocks"])
    with progress() as heard:
        return judged(
            cut.source if cut else given,
            clock(),
            lambda plan: here(plan, connection),
            kept=acts.kept_plan(rolling),
            waived=said["waive"],
            as_kept=lambda: acts.as_kept(rolling),
            in_the_way=lambda files: (*acts.in_the_way(rolling, files), *notes),
            diverting=lambda plan, files: acts.diverting(rolling, plan, files),
            set_aside=said["set_aside"],
            cut=cut,
            on_progress=heard,
        )


def _enacted(rolling: Any, ready: Any, stood: Any, said: dict[str, Any], as_json: bool) -> int:
    from netcharter.tasks.enacting import acts, telling

    done = acts.enact(
        rolling,
        ready,
        why=said["because"],
        seconds=said["within"],
        set_aside=said["set_aside"],
        judged=stood,
        now=clock(),
    )
    found = telling.outcome_json(done.outcome)
    ok = found["state"] == "waiting"
    if as_json:
        again = done.again.as_json() if done.again else None
        print_json({**ready.as_json(), **found, "ok": ok, "again": again})
    else:
        _show(telling.again_lines(done.again, width()))
        zone = ready.plan.timezone
        _show(telling.outcome_lines(done.outcome, zone, width(), done.diverting))
    if done.trial is not None and not as_json and not said["yes"] and sys.stdin.isatty():
        return _waited(rolling, done.trial)
    return 0 if ok else 1


def _waited(rolling: Any, trial: Any) -> int:
    """Wait at the terminal until it is kept or undone; the undo timer does not need us."""
    from netcharter.cli.typed import Typed
    from netcharter.tasks.enacting import acts, cutting
    from netcharter.tasks.enacting.here import ssh_connection
    from netcharter.tasks.enacting.waiting import later, waited

    def keep() -> Any:
        return acts.keep(rolling)

    def undo() -> Any:
        return cutting.undo(rolling, ASKED_FOR, clock(), ssh_connection(os.environ))

    try:
        say: Any = lambda words: _show([words])
        over = waited(rolling, trial, Typed().line, say, width(), keep, undo)
    except KeyboardInterrupt:
        _show(["", *later(rolling, trial)])
        return INTERRUPTED
    _show(over.lines)
    if over.state == "kept":
        _show(brought_up(trial.version, Path(rolling.paths.root)))
    return 0 if over.state in ("kept", "open") else 1


def _show_ready(ready: Any) -> None:
    if ready.cut is not None and ready.cut.findings:
        told(ready.cut.findings, ready.cut.whole)
    _show(ready.lines(width()))


def _show(lines: Any) -> None:
    for line in lines:
        click.echo(safe(line))
    sys.stdout.flush()
