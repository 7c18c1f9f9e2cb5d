"""What the steward has others do: say whether the kernel holds, cut what is refused now, mend.

A plan and its proof take memory that an idle service should not keep, so they are made in another
process, and only its answer (`netcharter holds --json`, for one) is weighed here.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from netcharter.rollout.observe import Said
from netcharter.rollout.run import programs
from netcharter.rollout.shapes import Run
from netcharter.rollout.trouble import EffectFailed
from netcharter.steward.duties import conversations, lists, prefixes
from netcharter.steward.duties.holds import LIMIT
from netcharter.steward.escape import one_line
from netcharter.steward.shapes import Agreement, Counted, Refreshing, Renumbering

Answer = TypeVar("Answer")

LASTING = ("from", "to", "service")  # of a row; its moments depend on when one asks
KINDS = ("opened", "closed", "altered")
TOLD = 3  # rows and sentences that are told of a difference
# What differs takes namespaces to tell, which the service may not make.
UNTOLD = "the kernel is not as planned; `netcharter holds` tells in what"
MOST = 160  # characters of one of them


def asked_by(
    command: Sequence[str], under_way: Callable[[], bool]
) -> Callable[[], Agreement | None]:
    """Ask a program. under_way: whether a version is on trial: then nobody is asked (None), since
    what is kept and what is in place are two things. An answer that was made while a trial began counts
    for nothing either."""

    def ask() -> Agreement | None:
        if under_way():
            return None
        try:
            said = programs.run(Run(tuple(command), fails=False, seconds=LIMIT))
            found = json.loads(said.out)
        except EffectFailed as fault:
            return Agreement("not known", summary=one_line(fault.said, MOST))
        except ValueError:
            return Agreement("not known", summary=_ended(said))
        return None if under_way() else agreement(found)

    return ask


def cut_by(command: Sequence[str]) -> Callable[[bool], Counted]:
    """Have a program decide open conversations again. What it returns raises EffectFailed, and is
    told whether hours can be known."""

    def cut(hours: bool) -> Counted:
        whole = (*command, *(() if hours else ("--hours-closed",)))
        said = programs.run(Run(whole, fails=False, seconds=conversations.LIMIT))
        found: Any = None
        try:
            found = json.loads(said.out)
            counts = found["counts"]
            return Counted(*(int(counts[kind]) for kind in ("cut", "doubtful", "kept")))
        except (ValueError, KeyError, TypeError):
            told = found if isinstance(found, dict) else {}
            words = one_line(_why(told), MOST) if told else _ended(said)
        raise EffectFailed("deciding open conversations again", words)

    return cut


def mended_by(command: Sequence[str]) -> Callable[[str], None]:
    """Have a program put the plan in place again. What it returns raises EffectFailed."""

    def mend(why: str) -> None:
        said = programs.run(Run(tuple(command), fails=False, seconds=LIMIT))
        if said.code == 0:
            return
        try:
            found = json.loads(said.out)
            left = [str(one) for one in found.get("left", ())]
            words = one_line("; ".join(left), MOST) or agreement(found).summary
        except (ValueError, AttributeError):
            words = ""
        raise EffectFailed("mending", words or f"it ended with {said.code}")

    return mend


def renumbered_by(command: Sequence[str]) -> Callable[[], Renumbering]:
    """Have a program take over what providers delegate."""
    return lambda: _asked(command, prefixes.LIMIT, renumbering, Renumbering)


def _asked(
    command: Sequence[str],
    seconds: float,
    understood: Callable[[Any], Answer],
    failed: Callable[[str, str], Answer],
) -> Answer:
    """What a program of ours answers, understood; failed: made of a state and words where it gives
    no answer."""
    try:
        said = programs.run(Run(tuple(command), fails=False, seconds=seconds))
        return understood(json.loads(said.out))
    except EffectFailed as fault:
        return failed("not known", one_line(fault.said, MOST))
    except (ValueError, TypeError, KeyError, AttributeError):
        return failed("not known", _ended(said))


def renumbering(found: Any) -> Renumbering:
    """What a document of `renumber` says. Raises KeyError, TypeError or AttributeError for another
    form."""
    if "text" not in found:  # refused by the roll-out, or what is kept can't be used
        state = "busy" if "reason" in found else "not known"
        return Renumbering(state, one_line(_why(found), MOST))
    refused = tuple(one_line(str(one["reason"]), MOST) for one in found["refused"])
    without = tuple(one_line(str(one), MOST) for one in found["without"])
    return Renumbering(str(found["state"]), one_line(str(found["text"]), MOST), refused, without)


def refreshed_by(command: Sequence[str]) -> Callable[[], Refreshing]:
    """Have a program fetch lists that are due."""
    return lambda: _asked(command, lists.LIMIT, refreshing, Refreshing)


def refreshing(found: Any) -> Refreshing:
    """What a document of `refresh` says. Raises KeyError, TypeError or AttributeError for another
    form."""
    if "lists" not in found:  # refused by the roll-out, or what is kept can't be used
        state = "busy" if "reason" in found else "not known"
        return Refreshing(state, one_line(_why(found), MOST))
    stays = [one for one in found["lists"] if one["fate"] == "kept as it was"]
    faults = tuple(one_line(f"{one['name']} ({one['why']})", MOST) for one in stays)
    old = tuple(one_line(str(one["name"]), MOST) for one in found["lists"] if one["old"])
    return Refreshing(str(found["state"]), one_line(str(found["text"]), MOST), faults, old)


def _ended(said: Said) -> str:
    """Of a program that gave no answer: how it ended, and the last it said of that."""
    words = said.err.decode("utf-8", "replace").strip().splitlines()
    last = one_line(words[-1], MOST) if words else ""
    return f"it ended with {said.code}" + (f": {last}" if last else "")


def agreement(document: Any) -> Agreement:
    """What a document of `holds` says; its digest is the same as long as the difference is, whatever
    moment and witness are named."""
    said: Mapping[str, Any] = document if isinstance(document, dict) else {}
    state = said.get("state")
    if state == "as planned":
        return Agreement("as planned")
    if state == "nothing of ours":
        return Agreement("nothing of ours")
    if state != "otherwise":
        return Agreement("not known", summary=one_line(_why(said), MOST))
    if said.get("untold"):
        return Agreement("otherwise", "not told", UNTOLD)
    sentences = [*_sentences(said)]
    text = "; ".join(sentences[:TOLD]) + ("; and more" if len(sentences) > TOLD else "")
    return Agreement("otherwise", _digest(said), text and f"the kernel is not as planned: {text}")


def _why(said: Mapping[str, Any]) -> str:
    told = [one.get("message") for one in _diagnostics(said)]
    return str(said.get("reason") or (told[0] if told else "no answer that is understood"))


def _diagnostics(said: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    return [one for one in said.get("diagnostics", ()) if isinstance(one, dict)]


def _sentences(said: Mapping[str, Any]) -> list[str]:
    """How many connections, then one of each kind, then what else is otherwise."""
    totals = said.get("totals") or {}
    words = {
        "opened": "are refused though the plan lets them",
        "closed": "are let though the plan refuses them",
        "altered": "are delivered or answered otherwise",
    }
    found = [
        f"{totals[kind]} connections {words[kind]}, such as {one_line(_row(said[kind][0]), MOST)}"
        for kind in KINDS
        if said.get(kind)
    ]
    return found + [one_line(str(other), MOST) for other in said.get("others", ())]


def _row(row: Mapping[str, Any]) -> str:
    return f"{row.get('from')} to {row.get('to')} with {row.get('service')}"


def _digest(said: Mapping[str, Any]) -> str:
    lasting = {
        kind: sorted(json.dumps([row.get(k) for k in LASTING]) for row in said.get(kind) or ())
        for kind in KINDS
    }
    text = json.dumps([lasting, list(said.get("others", ()))], sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest()[:16]
