"""No page links to nothing, and every page can be found from the front of the docs."""

from __future__ import annotations

from pathlib import Path

from tests.docs.links import reached, targets


def _pages(repository: Path) -> list[Path]:
    return [*repository.glob("*.md"), *(repository / "docs").rglob("*.md")]


def test_every_link_leads_somewhere(repository: Path) -> None:
    pages = _pages(repository)
    assert len(pages) >= 4
    lost = {str(page): [str(t) for t in targets(page) if not t.exists()] for page in pages}
    assert {page: dead for page, dead in lost.items() if dead} == {}


def test_every_page_can_be_found_from_the_front(repository: Path) -> None:
    found = reached(repository / "docs" / "index.md")
    assert {page.resolve() for page in _pages(repository)} - found == set()


def test_the_front_names_every_page_itself(repository: Path) -> None:
    """To be found by way of another page only is to be found by nobody."""
    front = repository / "docs" / "index.md"
    named = {page.resolve() for page in targets(front)}
    pages = {page.resolve() for page in (repository / "docs").rglob("*.md")} - {front.resolve()}
    assert pages - named == set()


def test_a_planted_dead_link_and_a_lost_page_are_found(tmp_path: Path) -> None:
    (tmp_path / "index.md").write_text(
        "[one](one.md) [web](https://example.org/x) [two](two.md#part)\n```\n[no](no.md)\n```\n"
    )
    (tmp_path / "one.md").write_text("alone")
    (tmp_path / "three.md").write_text("lost")
    index = tmp_path / "index.md"
    assert list(targets(index)) == [tmp_path.resolve() / "one.md", tmp_path.resolve() / "two.md"]
    assert reached(index) == {index.resolve(), tmp_path.resolve() / "one.md"}
