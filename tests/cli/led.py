"""What `holds` would name of others' routing rules and routes here, as JSON: a program for tests,
which is given the state folder."""

from __future__ import annotations

import json
import sys

from netcharter.rollout import looks
from netcharter.tasks.enacting import acts, diverted

work = acts.work_at(sys.argv[1], "a test")
plan, number = acts.kept_plan(work), acts.standing(work).kept
assert plan is not None and number is not None
found = diverted.after(work, plan, looks.made(work, number).files)
print(json.dumps(diverted.sentences(found)))
