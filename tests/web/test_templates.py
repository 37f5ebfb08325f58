"""House rules of the templates, and the pages that show every component."""

import re
from pathlib import Path

import pytest
from django.template.loader import get_template, render_to_string
from django.test import RequestFactory

from resupply.web.gallery import gallery

PAGES = [path for path in Path("templates").rglob("*.html") if "mail" not in path.parts]
INLINE = re.compile(
    r"""<style|\sstyle\s*=|\son[a-z]+\s*=|<script(?![^>]*\ssrc=)|javascript:|hx-on|hx-vars|js:""", re.I
)


@pytest.mark.parametrize("path", PAGES, ids=str)
def test_no_inline_script_or_style_and_every_template_loads(path: Path) -> None:
    source = path.read_text(encoding="utf-8")
    assert not INLINE.search(source)
    get_template(str(path.relative_to("templates")))


@pytest.mark.parametrize("path", [path for path in PAGES if path.name.startswith("_")], ids=str)
def test_a_partial_lists_its_variables_first(path: Path) -> None:
    assert path.read_text(encoding="utf-8").startswith("{# Variables:")


def test_the_gallery_shows_each_line_with_its_sentence(rf: RequestFactory) -> None:
    page = gallery(rf.get("/gallery/")).content.decode()
    assert page.count('role="img"') == 9 + 2 + 4  # as they stand, before and after a draft, charts
    assert 'aria-label="Cushion, Nasal cushion M: 9 days overdue. In use since Mon 9 Feb.' in page
    assert page.count('class="ask"') == 8 + 2 + 1  # every line with dates, and the key
    assert 'href="#main"' in page
    assert page.count("<h1>") == 1


def test_the_patients_gallery_has_no_navigation_and_no_marks_for_staff(rf: RequestFactory) -> None:
    page = gallery(rf.get("/gallery/?page=phone")).content.decode()
    assert page.count('role="img"') == 6
    assert "<nav" not in page
    assert 'class="give"' not in page
    assert 'class="ask"' not in page


@pytest.mark.parametrize("code", ["403", "403_csrf", "404", "500", "503"])
def test_error_pages_stand_without_any_context(code: str) -> None:
    page = render_to_string(f"{code}.html")
    assert "<h1>" in page
    assert 'href="/"' in page
