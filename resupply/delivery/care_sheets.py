"""The care sheet on paper: one page for this patient and these parts, in English or Spanish."""

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, KeepTogether, Spacer

from resupply.delivery.calendar_words import KINDS
from resupply.delivery.pdf import columns, paper, point, text
from resupply.queries.care_sheets import HEADINGS, CareSheet


def words_of(sheet: CareSheet) -> dict[str, str]:
    """The headings of a sheet with its names filled in."""
    words: dict[str, str] = dict(HEADINGS[sheet.language])
    phone = f", {sheet.location.phone}" if sheet.location.phone else ""
    return words | {
        "for": words["for"].format(name=sheet.patient.name),
        "call": words["call"].format(place=sheet.location.name, phone=phone),
    }


def part_lines(sheet: CareSheet) -> list[str]:
    """The parts held in words: `Mask: Alder nasal, M`."""
    kinds = KINDS[sheet.language]
    names = [(kind, "" if name.casefold() == KINDS["en"][kind] else name) for kind, name in sheet.parts]
    return [f"{kinds[kind].capitalize()}{f': {name}' if name else ''}" for kind, name in names]


def care_sheet_pdf(sheet: CareSheet, *, clinic_name: str) -> bytes:
    """The sheet as PDF (US letter). The same record gives the same bytes."""
    words = words_of(sheet)
    return paper(
        _story(sheet, words, clinic_name),
        title=words["title"],
        subject=words["title"],
        author=clinic_name,
        language={"en": "en-US", "es": "es-US"}[sheet.language],
        foot=words["call"],
    )


def _story(sheet: CareSheet, words: dict[str, str], clinic_name: str) -> list[Flowable]:
    left = [text(words["title"], "title"), text(words["for"], "strong")]
    right = [text(clinic_name, "strong"), text(sheet.location.name), text(sheet.location.phone)]
    parts: list[Flowable] = [columns(left, right, share=0.62), Spacer(1, 3 * mm)]
    wear = [*_list(words["parts"], part_lines(sheet)), *_list(words["steps"], sheet.steps, numbered=True)]
    clean: list[Flowable] = []
    for chores in sheet.chores:
        clean += _list(words[chores.frequency], [f"{title}. {how}" for title, how in chores.tasks])
    parts += [columns(wear, clean, share=0.44)]
    parts += [KeepTogether(_list(words["watch"], sheet.watch))]
    parts += [KeepTogether(_list(words["cautions"], sheet.cautions))]
    parts += [Spacer(1, 2 * mm), text(words["first"], "strong"), text(words["call"])]
    return parts


def _list(head: str, lines: list[str], *, numbered: bool = False) -> list[Flowable]:
    """A heading and its lines; nothing where there are none."""
    if not lines:
        return []
    marks = [f"{place}." if numbered else "•" for place in range(1, len(lines) + 1)]
    points = [point(line, mark) for line, mark in zip(lines, marks, strict=True)]
    return [text(head, "head"), *points, Spacer(1, 2 * mm)]
