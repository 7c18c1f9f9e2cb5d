"""`enact --prepare --ports`: the conversation about cables, and what becomes of the charter."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import click

from netcharter.cli.common import print_json, safe, source, write_text
from netcharter.cli.typed import Typed

WAIT = 120.0  # seconds for an answer
# Seconds in which a device that was just switched on feels the cable that is in it already: two ends
# of gigabit Ethernet agree on their speed within some four. Common practice, no source.
AGREEING = 6.0


class Talk:
    """What is said and heard: on standard error where standard output is for JSON."""

    def __init__(self, to_error: bool) -> None:
        self._to_error = to_error
        self._typed: Typed | None = Typed()

    def say(self, words: str) -> None:
        click.echo(safe(words), err=self._to_error)

    def paused(self, seconds: float) -> bool:
        """Let time pass; whether Enter was pressed."""
        if self._typed is None:
            time.sleep(seconds)
            return False
        try:
            return self._typed.line(seconds) is not None
        except EOFError:
            self._typed = None
            return False

    def agreed(self, question: str) -> bool:
        """Whether the answer is yes; silence is no."""
        self.say(f"{question} [y/N]")
        try:
            line = self._typed.line(WAIT) if self._typed else None
        except EOFError:
            self._typed, line = None, None
        return line is not None and line.strip().lower() in ("y", "yes")


def told_apart(
    charter: Path, left: tuple[str, ...], output: Path | None, as_json: bool, *, yes: bool
) -> int:
    """Have cables plugged in and out, and write or show the charter with what was found. yes: devices
    are switched on, and files written over, without a question."""
    from netcharter.tasks import ports

    given = source(charter)
    begun = ports.watch_of(given, left)
    talk = Talk(as_json)
    agreed = (lambda question: True) if yes else talk.agreed
    there = ports.sockets()
    watch = begun
    with _switched_on([one.name for one in there if not one.up], talk, agreed):
        talk.say("Enter skips a cable, Ctrl-C ends.")
        for now, heard in ports.watching(begun, [one.name for one in there], talk.paused):
            watch = now
            if heard.words:
                talk.say(heard.words)
    found = ports.found_out(given, begun, watch)
    for line in found.lines():
        talk.say(line)
    if found.moved is not None and found.moved.changed:
        _offered(found, charter, output, talk, agreed)
    if as_json:
        print_json(found.as_json())
    return 0 if found.ok else 1


@contextmanager
def _switched_on(names: list[str], talk: Talk, agreed: Callable[[str], bool]) -> Iterator[None]:
    """Devices that are off are on meanwhile, if that is wished."""
    from netcharter.tasks import ports

    if names:
        what = f"{', '.join(names)}: switched off, and so not feeling a cable."
        if not agreed(f"{what} Switch on while we look, and off again?"):
            names = []
    try:
        for fault in ports.switch(names, True):
            talk.say(fault)
        if names:
            talk.say("Wait some seconds until they feel what is plugged in already.")
            time.sleep(AGREEING)
        yield
    finally:
        for fault in ports.switch(names, False):
            talk.say(f"left on: {fault}")


def _offered(
    found: Any, charter: Path, output: Path | None, talk: Talk, agreed: Callable[[str], bool]
) -> None:
    """Write the charter where that was asked for, or show what is to be changed."""
    if output is None:
        for line in found.difference():
            talk.say(line)
        return
    for name, text in found.texts.items():
        where = output if name == found.source.name else output.parent / name
        if not os.path.lexists(where):
            with suppress(OSError):  # what is missing then is told when it is written
                where.parent.mkdir(parents=True, exist_ok=True)
        elif _is_so(where, text):
            continue
        elif not agreed(f"{where} is there. Write over it?"):
            talk.say(f"{where} is left as it is")
            continue
        write_text(where, text)
        talk.say(f"written: {where}")


def _is_so(where: Path, text: str) -> bool:
    try:
        return where.read_bytes() == text.encode()
    except OSError:
        return False
