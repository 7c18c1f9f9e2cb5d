"""Pure rooms read no clock, no chance, no file and no device, and write nowhere."""

from __future__ import annotations

import pytest

from tests.house.conftest import Plant
from tests.house.law import Module, effect_breaches


def test_pure_rooms_do_not_touch_the_world(package: dict[str, Module]) -> None:
    assert effect_breaches(package) == []


@pytest.mark.parametrize(
    "text",
    [
        "open('x')",
        "reader = open",
        "print('x')",
        "input()",
        "import pathlib",
        "from pathlib import Path",
        "import subprocess as s",
        "import socket",
        "import os\nos.system('x')",
        "import os\nos.environ['x']",
        "from os import environ",
        "import os.path",
        "import time\ntime.time()",
        "from time import time",
        "import random",
        "import secrets",
        "import urllib.request",
        "from urllib import request",
        "import io\nio.open('x')",
        "import sys\nsys.stdout.write('x')",
        "from sys import stdout",
        "from datetime import datetime\ndatetime.now()",
        "from datetime import datetime as d\nclock = d.now",
        "import datetime\ndatetime.datetime.utcnow()",
        "import datetime as dt\ndt.date.today()",
        "from datetime import date\ndate.today()",
        "def late():\n    import shutil",
        "from uuid import uuid4\nuuid4()",
        "eval('1')",
    ],
)
def test_a_planted_effect_is_found(plant: Plant, text: str) -> None:
    assert effect_breaches(plant({"netcharter.plan.bad": text}))


@pytest.mark.parametrize(
    "text",
    [
        "from datetime import date, datetime, time\ntime(7, 30)\ndatetime.combine(day, start)",
        "import io\nio.StringIO()",
        "from urllib.parse import unquote",
        "row.open\nwindow.time\nself.print()",
        "def decide(now: datetime) -> bool:\n    return now.today",
        "'open(print)'  # open()",
    ],
)
def test_what_only_looks_like_an_effect_is_let(plant: Plant, text: str) -> None:
    assert effect_breaches(plant({"netcharter.plan.fine": text})) == []


def test_only_the_named_files_of_a_room_may_touch_the_world(plant: Plant) -> None:
    texts = {
        "netcharter.rollout.run": "import subprocess",
        "netcharter.rollout.steps": "import subprocess",
        "netcharter.lab.hosts": "import subprocess",
        "netcharter.cli": "print('hello')",
        "netcharter.__main__": "import sys\nsys.exit(1)",
        "netcharter": "import os",
    }
    assert effect_breaches(plant(texts)) == [
        "netcharter.rollout.steps:1: touches the world with subprocess",
        "netcharter:1: touches the world with os",
    ]
