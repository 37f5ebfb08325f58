"""What the documents name is there, and what is there is named."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()


def test_every_test_that_the_table_of_requirements_names_is_there() -> None:
    named = set(re.findall(r"[\w/]+/test_\w+\.py", (ROOT / "docs" / "security.md").read_text()))
    assert len(named) > 20
    missing = {name for name in named if not (ROOT / "tests" / name).is_file()}
    assert missing == {name for name in missing if (ROOT / name).is_file()}


def rooms() -> set[str]:
    """Every folder of the program that holds code, and the folders beside it, as the map writes them."""
    inner = {
        file.parent.relative_to(ROOT).as_posix()
        for top in ("clinic", "resupply")
        for file in (ROOT / top).rglob("*.py")
        if not {"management", "migrations"} & set(file.relative_to(ROOT).parts[:-1])
    }
    return {f"{room}/" for room in inner - {"resupply"}} | {
        *("resupply/management/", "resupply/migrations/", "resupply/static/", "resupply/delivery/fonts/"),
        *("templates/", "tests/", "benchmarks/", "docs/", "pictures/"),
    }


def test_the_map_names_every_room_and_no_other() -> None:
    table = DEVELOPERS.split("## The map")[1].split("The same noun")[0]
    named = set(re.findall(r"^\| `([\w/]+/)` \|", table, re.MULTILINE))
    assert named == rooms()


def test_every_path_that_contributors_are_sent_to_is_there() -> None:
    """Paths are written from the root, from `resupply/` or from `resupply/web/`."""
    named = {
        path
        for path in re.findall(r"`([\w./-]+?)`", DEVELOPERS)
        if "/" in path and not path.startswith(("/", "var/", ".venv")) and "*" not in path
    }
    places = (ROOT, ROOT / "resupply", ROOT / "resupply" / "web")
    missing = {
        path
        for path in named
        if not any((place / path).exists() or (place / f"{path}.py").exists() for place in places)
    }
    assert len(named) > 60
    assert missing == set()


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_every_link_of_a_document_leads_to_a_file(name: str) -> None:
    linked = re.findall(r"\]\(([^)#]+)", (ROOT / name).read_text())
    assert [to for to in linked if "://" not in to and not (ROOT / to).is_file()] == []


def test_the_readme_is_read_in_one_sitting() -> None:
    assert len((ROOT / "README.md").read_text().splitlines()) <= 150
