"""Puts the files of a kit where its manifest says that they are to lie."""

import json
import sys
from pathlib import Path

kit = Path(sys.argv[1])
for one in json.loads((kit / "manifest.json").read_text("utf-8"))["placed"]:
    there = Path(one["at"])
    there.parent.mkdir(parents=True, exist_ok=True)
    there.write_bytes((kit / one["file"]).read_bytes())
    there.chmod(int(one["mode"], 8) if isinstance(one["mode"], str) else one["mode"])
