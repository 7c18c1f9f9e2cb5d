"""Random rulesets, loaded into the kernel and probed with real packets, against readback.

The kernel is the judge: what it did with a packet must be what readback decided from the JSON
listing alone, or be among what it holds possible.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from random import Random
from typing import Any

import pytest

from tests.readback.compared import Tally, compare, corpus, packets_of, remember
from tests.readback.packets import packets
from tests.readback.rulesets import ruleset
from tests.readback.traps import DOUBTS, SEVERAL, TRAPS, crossed
from tests.readback.trying import Kernel

pytestmark = pytest.mark.kernel

LONG = "NETCHARTER_LONG"  # set: many more of everything
GROUPS, RULESETS, PACKETS = 10, 12, 60
AT_LEAST = 5_000
TOO_MANY_MAY = 0.02


@pytest.fixture(scope="module")
def kernel() -> Iterator[Kernel]:
    with Kernel() as found:
        yield found


@pytest.mark.parametrize("entry", corpus(), ids=lambda entry: str(entry["seed"]))
def test_what_once_went_wrong_stays_right(kernel: Kernel, entry: dict[str, Any]) -> None:
    found = compare(kernel, entry["ruleset"], packets_of(entry))
    assert not found.wrong, "\n".join(found.wrong)


@pytest.mark.parametrize("name", TRAPS)
def test_what_is_easily_misread_is_read_right(kernel: Kernel, name: str) -> None:
    found = compare(kernel, TRAPS[name], crossed())
    assert not found.wrong, "\n".join([TRAPS[name], *found.wrong])
    assert not found.may or name in SEVERAL, "\n".join([TRAPS[name], *found.doubts])


@pytest.mark.parametrize("name", DOUBTS)
def test_what_is_open_is_said_to_be_open(kernel: Kernel, name: str) -> None:
    found = compare(kernel, DOUBTS[name], crossed())
    assert not found.wrong, "\n".join([DOUBTS[name], *found.wrong])
    assert found.may or found.aside


def test_random_rulesets_do_what_is_read_from_them(kernel: Kernel, seed: int) -> None:
    total = Tally()
    factor = 30 if os.environ.get(LONG) else 1
    for number in range(GROUPS * RULESETS * factor):
        found, text = _one(kernel, f"{seed}/{number}")
        if found.wrong:
            pytest.fail(f"seed {seed}/{number}\n{text}\n" + "\n".join(found.wrong))
        total.add(found)
    print(f"{total.packets} packets, {total.may} may, {total.aside} met a limit or quota")
    assert total.packets - total.aside >= AT_LEAST
    share = total.may / (total.packets - total.aside)
    assert share < TOO_MANY_MAY, "\n".join([f"{share:.1%}", *total.doubts[:40]])


def _one(kernel: Kernel, seed: str) -> tuple[Tally, str]:
    rng = Random(seed)
    drawn = ruleset(rng)
    found = compare(kernel, drawn.text, packets(drawn.pool, rng, PACKETS))
    if found.wrong:
        remember(seed, drawn.text, found.suspects)
    return found, drawn.text


def test_what_is_not_understood_is_never_silently_wrong(kernel: Kernel, seed: int) -> None:
    for number in range(40 * (10 if os.environ.get(LONG) else 1)):
        rng = Random(f"blind/{seed}/{number}")
        drawn = ruleset(rng)
        found = compare(kernel, drawn.text, packets(drawn.pool, rng, 30), blind=rng)
        assert not found.wrong, f"blind/{seed}/{number}\n{drawn.text}\n" + "\n".join(found.wrong)
