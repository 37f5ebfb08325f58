"""The matching table on screen: rule by rule or as text, for who drafts it and for who puts it in force."""

import re

import pytest
from django.urls import reverse

from resupply.models import MatchingVersion, PolicyDraft
from resupply.queries.matching import table_on
from resupply.rules.matching_table import Effect, read_table, shipped, shipped_text
from resupply.web.matching_form import TableForm
from tests.builders import TODAY, make_matching_version
from tests.web.pages import text

pytestmark = [pytest.mark.django_db, pytest.mark.usefixtures("usual_day")]
DRAFT = "/manager/policy/new/matching/"
REST = {"effective_from": "2026-03-18", "reason": "as agreed", "source": "a guideline"}


def sent(**over):
    """The form as it opens, rules as they are, with some fields typed over."""
    fields = {"table": shipped_text(), "shown_as": "rules"}
    for rule in shipped().rules:
        at = f"rule-{rule.id}-"
        fields |= {
            at + "effect": rule.effect.value,
            at + "weight": str(rule.weight or ""),
            at + "styles": list(rule.styles),
            **{at + name: getattr(rule, name) for name in ("text", "watch", "source", "mark")},
        }
    for number in range(2):
        fields |= {f"new-{number}-effect": "for", f"new-{number}-mark": "D"}
    return fields | REST | over


NEW = {
    "new-0-when": "pressure>=",
    "new-0-least": "15",
    "new-0-also": "congestion=chronic",
    "new-0-effect": "against",
    "new-0-weight": "2",
    "new-0-styles": ["nasal_pillows"],
    "new-0-text": "Ours came back.",
    "new-0-source": "Our own count",
    "new-0-mark": "D",
}


def test_the_form_shows_each_rule_in_words_by_question(marta):
    page = text(marta.get(DRAFT))
    assert (
        "Most of the time speaks against (4): Nasal pillows, Nasal cradle, Nasal mask A nose that stays"
        in page
    )
    assert "After the others, unless Breathes at night through" in page
    assert page.index("Breathes at night through") < page.index("Blocked nose")


def test_a_draft_of_changed_left_out_and_added_rules(marta):
    typed = sent(**NEW, **{"rule-nasal_first-weight": "3", "rule-ventilation-leave_out": "on"})
    url = marta.post(DRAFT, typed)["Location"]
    table = read_table(PolicyDraft.objects.get().values["table"])
    rules = {rule.id: rule for rule in table.rules}
    assert rules["nasal_first"].weight == 3
    assert "ventilation" not in rules
    own = rules["own_1"]
    assert own.when == {"pressure": {"at_least": 15}, "congestion": ("chronic",)}
    assert (own.effect, own.weight, own.styles) == (Effect.AGAINST, 2, ("nasal_pillows",))
    assert len(rules) == len(shipped().rules)
    again = marta.get(f"{url}change/").content.decode()
    assert 'value="Ours came back."' in again


def test_nothing_changed_keeps_the_text_to_the_letter(marta):
    typed = sent(table=shipped_text().replace("\n", "\r\n"))  # as browsers send it
    marta.post(DRAFT, typed)
    assert PolicyDraft.objects.get().values["table"] == shipped_text()


@pytest.mark.parametrize(
    ("typed", "says"),
    [
        ({"rule-nasal_first-weight": ""}, "Always, weight : Give it a weight of 1 to 9."),
        ({"rule-nasal_first-weight": "10"}, "9"),
        ({"rule-nasal_first-styles": []}, "Tick at least one style."),
        ({"rule-nasal_first-source": ""}, "Fill this in."),
        ({**NEW, "new-0-least": ""}, "Enter a number from 4 to 30."),
        ({**NEW, "new-0-when": ""}, "Choose one."),
        ({**NEW, "new-0-also": "closeness_score>="}, "One number can be asked for here."),
        ({**NEW, "new-0-when": "always"}, "None of these answers is a number"),
        ({"rule-nasal_first-leave_out": "false", "rule-nasal_first-effect": ""}, "Choose one."),
    ],
)
def test_what_does_not_fit_is_said_at_its_rule_and_kept(marta, typed, says):
    answer = marta.post(DRAFT, sent(**{"rule-mouth_breathing-text": "typed before"} | typed))
    assert answer.status_code == 422
    assert says in text(answer).replace("weight:", "weight :")
    assert "Rules need another look; they are open below." in text(answer)
    assert 'value="typed before"' in answer.content.decode()
    assert not PolicyDraft.objects.exists()


def test_a_rule_left_out_is_not_looked_at(marta):
    typed = sent(**{"rule-nasal_first-weight": "", "rule-nasal_first-leave_out": "on"})
    assert marta.post(DRAFT, typed).status_code == 302


def test_rules_turn_into_text_and_back_with_all_that_was_typed(marta):
    as_text = marta.post(DRAFT, sent(**NEW, turn="text", reason="because"))
    page = as_text.content.decode()
    assert as_text.status_code == 200
    assert "Ours came back." in page
    assert 'value="because"' in page
    typed = as_text.context["form"].initial["table"]
    back = marta.post(DRAFT, REST | {"table": typed, "shown_as": "text", "turn": "rules"})
    assert 'name="rule-own_1-text" value="Ours came back."' in back.content.decode()
    assert not PolicyDraft.objects.exists()


def test_a_text_that_is_no_table_stays_text_and_says_where(marta):
    broken = shipped_text().replace("suits_from = 1", "suits_from = x")
    answer = marta.post(DRAFT, REST | {"table": broken, "shown_as": "text", "turn": "rules"})
    assert "Line 11" in text(answer)
    assert "suits_from = x" in answer.content.decode()


def test_a_therapist_without_policy_sees_the_change_and_puts_it_in_force(therapist):
    address = reverse("therapist:matching_new")
    typed = sent(**{"rule-nasal_first-weight": "3"})
    page = text(therapist.post(address, typed | {"compare": "1"}))
    assert "speaks for (3): Nasal pillows" in page
    assert not MatchingVersion.objects.exists()
    assert therapist.post(address, typed).status_code == 302
    (changed,) = [rule for rule in table_on(TODAY).table.rules if rule.id == "nasal_first"]
    assert changed.weight == 3


def test_the_fields_of_all_rules_fit_what_a_browser_may_send(marta):
    names = re.findall(r'name="([^"]+)"', marta.get(DRAFT).content.decode())
    assert len(names) < 700  # Django takes a thousand (DATA_UPLOAD_MAX_NUMBER_FIELDS)


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ("x" * 401, "The rule nasal_first says more"),
        (r"one line\nand one more", "The rule nasal_first says more"),
    ],
)
def test_a_table_a_form_could_not_give_back_opens_as_text(marta, said, why):
    """Rule by rule it could neither be sent nor be turned into text."""
    (first,) = [rule for rule in shipped().rules if rule.id == "nasal_first"]
    written = shipped_text().replace(f'"{first.text}"', f'"{said}"', 1)
    make_matching_version(table=written)
    page = marta.get(DRAFT).content.decode()
    assert 'name="rule-nasal_first-text"' not in page
    assert "Change it rule by rule" in page
    answer = marta.post(DRAFT, REST | {"table": written, "shown_as": "text", "turn": "rules"})
    assert why in text(answer)
    assert marta.post(DRAFT, REST | {"table": written, "shown_as": "text"}).status_code == 302


def test_a_table_of_more_fields_than_are_taken_opens_as_text():
    """Many styles make many boxes: it is fields that are limited, not rules."""
    styles = "".join(f'\n[[style]]\nid = "s{n}"\nname = "Style {n}"\nabout = ""\n' for n in range(20))
    assert TableForm(initial={"table": shipped_text()}).opened
    assert TableForm(initial={"table": shipped_text() + styles}).opened is None
