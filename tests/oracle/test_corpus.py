"""The corpus keeps what went wrong here, and nothing that a planted fault or a CI run shows."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from ipaddress import ip_address
from pathlib import Path

import pytest

import netcharter
from tests.oracle import compared
from tests.oracle.compared import remember
from tests.oracle.naive import Attempt, Environment

PAIR = compared.Pair("a seed", "charter: 1\n", None, None, 1)  # type: ignore[arg-type]
ATTEMPT = Attempt("a", ip_address("192.0.2.1"), None, ip_address("192.0.2.2"), 6, 443)
AT = Environment(frozenset({"dsl"}), "", datetime(2026, 11, 2, tzinfo=UTC))


@pytest.fixture
def corpus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A checkout in miniature, with an empty corpus and a package of its own."""
    folder = tmp_path / "tests" / "oracle"
    folder.mkdir(parents=True)
    path = folder / "corpus.json"
    path.write_text("[]\n")
    monkeypatch.setattr(compared, "CORPUS", path)
    monkeypatch.setattr(netcharter, "__file__", str(tmp_path / "src/netcharter/__init__.py"))
    monkeypatch.delenv("CI", raising=False)
    return path


def test_a_disagreement_of_the_checkout_is_kept_once(corpus: Path) -> None:
    for _ in range(2):
        remember(PAIR, ATTEMPT, AT)
    (entry,) = json.loads(corpus.read_text())
    assert entry["seed"] == "a seed"
    assert compared.from_json(entry["attempt"]) == (ATTEMPT, AT)


@pytest.mark.parametrize("why", ["a copy", "an unattended run"])
def test_a_disagreement_from_elsewhere_is_printed_and_not_kept(
    corpus: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], why: str
) -> None:
    if why == "a copy":
        monkeypatch.setattr(netcharter, "__file__", "/elsewhere/src/netcharter/__init__.py")
    else:
        monkeypatch.setenv("CI", "true")
    remember(PAIR, ATTEMPT, AT)
    assert json.loads(corpus.read_text()) == []
    assert json.loads(capsys.readouterr().out)["charter"] == "charter: 1\n"
