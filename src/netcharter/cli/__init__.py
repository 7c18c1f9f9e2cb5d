"""The command line: parses arguments, calls the tasks, prints. Commands load when they are used."""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib import import_module
from typing import Any, TextIO

import click

FRONT = {
    "new": "a short conversation that writes a first charter",
    "check": "judge a charter: what every possible connection will do",
    "why": "one connection's story: what decides it, and why",
    "rehearse": "try the kit in a lab with real packets: predicted against seen",
    "enact": "put a charter in place here, on trial until you keep it",
}
BEHIND = {
    "ask": "who can reach what, exactly",
    "compare": "which connections change between two charters",
    "show": "the plan: lines, areas, addresses, decisions",
    "inherit": "judge a gateway that has no charter, and start one from it",
    "seen": "devices that are there and that the charter does not name",
    "render": "write the kit: nftables, sysctl, addresses, routes",
    "keep": "keep what is on trial",
    "undo": "go back; what happened here",
    "holds": "is what the kernel has loaded still the plan?",
    "renumber": "take over the IPv6 prefixes that providers delegate",
    "refresh": "fetch lists that others publish, and put them to use",
    "requests": "withheld names whose release people asked for",
    "cut": "end open conversations that are refused now",
    "boot": "bring up what is kept, as at boot",
    "backup": "one signed copy of what is kept here",
    "restore": "take a copy back on another machine",
    "steward": "the service on the gateway: hours, health, alarms",
    "gate": "the pages of the gateway: why a name is withheld",
}
NOBODY_READS = 141  # as a shell reports what a closed pipe ended
ENDED = 130  # and what Ctrl-C ended


class Commands(click.Group):
    """Names and one-line help are known here; a command's module is imported when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return [*FRONT, *BEHIND]

    def get_command(self, ctx: click.Context, name: str) -> click.Command | None:
        if name not in FRONT and name not in BEHIND:
            return None
        command = import_module(f"netcharter.cli.{name}_command").cli
        assert isinstance(command, click.Command)
        return command

    def make_context(self, *args: Any, **kwargs: Any) -> click.Context:
        with _printed(), _safely_told():
            return super().make_context(*args, **kwargs)

    def invoke(self, ctx: click.Context) -> Any:
        if os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb":
            ctx.color = False
        with _printed(), _safely_told():
            return super().invoke(ctx)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        for title, names in (("In front", FRONT), ("Behind", BEHIND)):
            with formatter.section(title):
                formatter.write_dl(list(names.items()))


@contextmanager
def _safely_told() -> Iterator[None]:
    """What is wrong with a command line may quote it, and so the names of hostile files."""
    try:
        yield
    except click.UsageError as wrong:
        from netcharter.diagnostics.escape import terminal

        raise click.UsageError(terminal(wrong.format_message()), wrong.ctx) from None


@contextmanager
def _printed() -> Iterator[None]:
    """Where standard output can't take what is printed: a word of that, and the exit code for it."""
    try:
        if sys.stdout is None:
            raise OSError(errno.EBADF, "it is closed")
        yield
    except BrokenPipeError:
        _take_no_more(sys.stdout)
        sys.exit(NOBODY_READS)
    except KeyboardInterrupt:  # while a command is loaded, before it can do anything
        click.echo("\nended; nothing is left half done", err=True)
        sys.exit(ENDED)
    except OSError as fault:
        if fault.filename is not None:  # of a file, and so none of ours to explain
            raise
        _take_no_more(sys.stdout)
        reason = (fault.strerror or "unknown reason").lower()
        try:
            click.echo(f"standard output can't be written to: {reason}", err=True)
        except OSError:
            _take_no_more(sys.stderr)
        sys.exit(2)


def _take_no_more(stream: TextIO) -> None:
    """Let what it still holds vanish, so that the end of the process can't fail on it."""
    with suppress(OSError, ValueError, AttributeError):  # None, or no file behind it
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


@click.command(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="netcharter", message="%(prog)s %(version)s")
def main() -> None:
    """Know what a network will do before you press the button.

    Write the site's charter once; Netcharter plans it and proves what every connection will do.
    Exit 0: all well. 1: something was found. 2: the input can't be used.
    """
