"""What a calendar entry says: neutral unless the patient chose detail, in English or Spanish.

Neutral words name no part, illness or kind of clinic: calendar providers store what they fetch, and people
look over shoulders. No words tell a patient to change therapy. The Spanish has not been reviewed by a native
speaker yet.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from resupply.rules.cleaning import Checklist, Frequency, cautions, cleaning_tasks, first_use_wash
from resupply.rules.kinds import Kind


@dataclass(frozen=True, slots=True)
class Text:
    """Title and description of an entry."""

    summary: str
    description: str


KINDS = {
    "en": {
        Kind.MASK: "mask",
        Kind.CUSHION: "cushion",
        Kind.ORAL_CUSHION: "oral cushion",
        Kind.COMBINATION_PILLOWS: "nasal pillows",
        Kind.HEADGEAR: "headgear",
        Kind.CHIN_STRAP: "chin strap",
        Kind.TUBING: "tubing",
        Kind.FILTER_DISPOSABLE: "disposable filter",
        Kind.FILTER_REUSABLE: "reusable filter",
        Kind.CHAMBER: "water chamber",
    },
    "es": {
        Kind.MASK: "mascarilla",
        Kind.CUSHION: "almohadilla",
        Kind.ORAL_CUSHION: "almohadilla oral",
        Kind.COMBINATION_PILLOWS: "almohadillas nasales",
        Kind.HEADGEAR: "arnés",
        Kind.CHIN_STRAP: "correa del mentón",
        Kind.TUBING: "tubo",
        Kind.FILTER_DISPOSABLE: "filtro desechable",
        Kind.FILTER_REUSABLE: "filtro reutilizable",
        Kind.CHAMBER: "cámara de agua",
    },
}

WORDS = {
    "en": {
        "calendar": "Reminders",
        "calendar_detailed": "Equipment calendar",
        "change": "Change day",
        "change_more": "Something you use is due for a change.",
        "needed": "Change day: a new one is needed",
        "needed_more": "Something you use is due for a change, "
        "and none is left on record. Please get in touch.",
        "refill": "Time to restock",
        "refill_more": "Think about what you will need next. Nothing is sent without your yes.",
        "daily": "Daily care",
        "weekly": "Weekly care",
        "monthly": "Monthly care",
        "change_detailed": "Change: {parts}",
        "change_detailed_more": "Start using the new one today: {parts}.",
        "needed_detailed": "New one needed: {parts}",
        "needed_detailed_more": "Worn by now, with no spare on record: {parts}. Please call your clinic. "
        "Go on with your therapy as prescribed.",
        "refill_detailed": "Think about new parts: {parts}",
        "refill_detailed_more": "Will you need them? Your clinic asks you first. "
        "Nothing is sent without your yes.",
        "daily_detailed": "Daily cleaning",
        "weekly_detailed": "Weekly cleaning",
        "monthly_detailed": "Monthly cleaning",
    },
    "es": {
        "calendar": "Recordatorios",
        "calendar_detailed": "Calendario del equipo",
        "change": "Día de cambio",
        "change_more": "Toca cambiar algo que usted usa.",
        "needed": "Día de cambio: hace falta uno nuevo",
        "needed_more": "Toca cambiar algo que usted usa "
        "y no consta que le quede otro. Comuníquese con nosotros.",
        "refill": "Hora de reponer",
        "refill_more": "Piense en lo que va a necesitar. No se envía nada sin su sí.",
        "daily": "Cuidado diario",
        "weekly": "Cuidado semanal",
        "monthly": "Cuidado mensual",
        "change_detailed": "Cambio: {parts}",
        "change_detailed_more": "Empiece a usar hoy lo nuevo: {parts}.",
        "needed_detailed": "Hace falta: {parts}",
        "needed_detailed_more": "Ya está gastado y no consta repuesto: {parts}. Llame a su clínica. "
        "Siga con su terapia como se la recetaron.",
        "refill_detailed": "Piense en partes nuevas: {parts}",
        "refill_detailed_more": "¿Las va a necesitar? Su clínica le pregunta antes. "
        "No se envía nada sin su sí.",
        "daily_detailed": "Limpieza diaria",
        "weekly_detailed": "Limpieza semanal",
        "monthly_detailed": "Limpieza mensual",
    },
}


def calendar_name(language: str, *, detailed: bool) -> str:
    """The name a calendar program shows."""
    return WORDS[language]["calendar_detailed" if detailed else "calendar"]


def change_text(
    starting: Sequence[Kind],
    needed: Sequence[Kind],
    washed: Sequence[Kind],
    language: str,
    *,
    detailed: bool,
) -> Text:
    """A day on which spares start, some `washed` first, or parts are worn with no spare left (`needed`)."""
    words = WORDS[language]
    if not detailed:
        name = "needed" if needed else "change"
        return Text(words[name], words[f"{name}_more"])
    summaries, lines = [], []
    if starting:
        summaries.append(words["change_detailed"].format(parts=_parts(starting, language)))
        lines.append(words["change_detailed_more"].format(parts=_parts(starting, language)))
    if washed:
        task = first_use_wash()
        lines.append(f"{task.title[language]} ({_parts(washed, language)}): {task.how[language]}")
    if needed:
        summaries.append(words["needed_detailed"].format(parts=_parts(needed, language)))
        lines.append(words["needed_detailed_more"].format(parts=_parts(needed, language)))
    return Text(". ".join(summaries), "\n".join(lines))


def refill_text(kinds: Sequence[Kind], language: str, *, detailed: bool) -> Text:
    """A day from which these parts may be asked about."""
    words = WORDS[language]
    if not detailed:
        return Text(words["refill"], words["refill_more"])
    return Text(words["refill_detailed"].format(parts=_parts(kinds, language)), words["refill_detailed_more"])


def cleaning_text(checklist: Checklist, language: str, *, detailed: bool) -> Text:
    """A checklist: detailed, every task with how it is done, and the cautions."""
    words = WORDS[language]
    frequency: Frequency = checklist.frequency
    if not detailed:
        return Text(words[frequency.value], "")
    lines = [_task_line(f"{n}. ", task, language) for n, task in enumerate(checklist.tasks, start=1)]
    lines += [caution.text[language] for caution in cautions()]
    return Text(words[f"{frequency.value}_detailed"], "\n".join(lines))


def _parts(kinds: Sequence[Kind], language: str) -> str:
    return ", ".join(KINDS[language][kind] for kind in kinds)


def _task_line(mark: str, code: str, language: str) -> str:
    task = cleaning_tasks()[code]
    return f"{mark}{task.title[language]}: {task.how[language]}"
