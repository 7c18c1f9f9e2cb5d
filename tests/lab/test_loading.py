"""A ruleset in pieces is the same ruleset."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from netcharter.lab import isolation, loading, tools
from netcharter.lab.apart import apart
from netcharter.plan.shapes import Plan
from netcharter.render import render
from tests.kernel.test_loading import hostile_plan
from tests.lab.sites import demo, possible
from tests.oracle.compared import pair
from tests.render.plans import small_plan

pytestmark = pytest.mark.kernel


PLANS: dict[str, Callable[[], Plan]] = {
    "demo": demo,
    "small": small_plan,
    "hostile": hostile_plan,
    "random": lambda: pair(3).plan,
}


def ruleset(plan: Plan) -> str:
    return render(plan).files["nftables.nft"].decode("ascii")


def listed(*texts: str) -> list[Any]:
    """What nft lists after all these were loaded: every thing in a canonical order of its kind,
    the rules of each chain in their own."""

    def work() -> str:
        for text in texts:
            tools.run(("nft", "-f", "-"), text)
        return tools.run(("nft", "-j", "list", "ruleset"))

    items = json.loads(apart(work))["nftables"]
    for item in items:
        for said in item.values():
            said.pop("handle", None)
    chains = [item for item in items if "rule" in item]
    rest = [item for item in items if "rule" not in item and "metainfo" not in item]
    by_chain = sorted(chains, key=lambda item: str(item["rule"]["chain"]))
    return [*sorted(rest, key=json.dumps), *by_chain]


@pytest.mark.parametrize("limit", [2_000, 40_000])
@pytest.mark.parametrize("which", PLANS)
def test_pieces_make_the_same_ruleset_as_the_whole(which: str, limit: int) -> None:
    possible(as_user=False)
    text = ruleset(PLANS[which]())
    parts = loading.pieces(text, limit)
    assert len(parts) > 2
    assert listed(*parts) == listed(text)


def test_a_set_larger_than_a_piece_is_divided() -> None:
    possible(as_user=False)
    elements = ",\n".join(f"            198.18.{n // 256}.{n % 256}" for n in range(0, 4000, 2))
    text = (
        "table inet netcharter\ndelete table inet netcharter\ntable inet netcharter {\n"
        "    set nc_large {\n        type ipv4_addr; flags interval\n"
        f"        elements = {{\n{elements}\n        }}\n    }}\n"
        "    chain nc_a {\n        ip saddr @nc_large drop\n    }\n}\n"
    )
    parts = loading.pieces(text, 5_000)
    assert all(len(part) < 6_000 for part in parts)
    assert listed(*parts) == listed(text)


def test_pieces_replace_what_was_there() -> None:
    possible(as_user=False)
    text = ruleset(small_plan())
    parts = loading.pieces(text)
    assert listed(ruleset(demo()), *parts) == listed(text)


def test_root_loads_in_one_transaction_and_everybody_else_in_pieces() -> None:
    possible(as_user=False)

    def work() -> tuple[bool, int, int]:
        calls: list[str] = []
        run = tools.run

        def counted(command: tuple[str, ...], text: str = "", **said: Any) -> str:
            calls.append(text)
            return run(command, text, **said)

        tools.run = counted  # type: ignore[assignment]  # this process ends with the work
        loading.load(ruleset(demo()))
        return isolation.really_root(), len(calls), len(tools.run(("nft", "list", "counters")))

    assert apart(work)[:2] == (True, 1)
    root, calls, counters = apart(work, as_user=True)
    assert not root and calls > 1 and counters > 1000
