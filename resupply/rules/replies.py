"""What a text that comes in means: stop, help, start, a bare yes or no, or something for a person.

The rule in plain words. Case, accents, punctuation, blanks and polite words do not matter. A text that
consists of a stop word ("stop", "stopall", "end", "cancel", "unsubscribe", "quit", "revoke", "opt out",
"parar", "alto", "cancelar", "baja") is an opt-out, and so is a sentence that asks not to be written to any
more, in English or Spanish, or says that the number is the wrong one. A text that consists of "help", "info"
or "ayuda" asks who we are. "Start" and "unstop" ask to be written to again. A text that consists of a yes or
a no may answer a question, but is no record of an answer: it does not say to which part. Everything else is
for a person.

Edge cases. A stop that is denied ("don't stop", "no pares", "the noise won't stop") is no opt-out; a person
reads it. A stop in a sentence about something else ("I will stop by", "should I stop using it?") is none
either. "Why don't you stop texting me" is one. "End" and "quit" count only where they are all that was
written: they may speak of treatment, or of worse. Where a text holds a stop and something else, the stop
holds at once and a person reads the rest (`is_keyword` is False).

Sources: stop words and "any reasonable means": 47 CFR 64.1200(a)(10), and the CTIA Messaging Principles, both
from memory; the sentences and the Spanish are ours. Where in doubt between an opt-out and none, the opt-out is
the smaller harm: it is confirmed, undone by "start", and a person reads it.

>>> read(" Stop ")
Reading(meaning=<Meaning.STOP: 'stop'>, is_keyword=True)
>>> read("ya no me mande mensajes").meaning
<Meaning.STOP: 'stop'>
>>> read("The noise won't stop").meaning
<Meaning.OTHER: 'other'>
>>> read("¿Ayuda?").meaning
<Meaning.HELP: 'help'>
"""

import re
import unicodedata
from dataclasses import dataclass
from enum import StrEnum


class Meaning(StrEnum):
    """What a text that came in is read to mean."""

    STOP = "stop"
    HELP = "help"
    START = "start"
    YES = "yes"
    NO = "no"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Reading:
    """A meaning, and whether the text says nothing besides (`is_keyword`): if not, a person reads it too."""

    meaning: Meaning
    is_keyword: bool


LONGEST_READ = 2000
"""Characters of a text that are read: no handset writes more, and patterns stay fast."""

_POLITE = frozenset(
    """
    please pls plz thanks thank you thx ty now already immediately ok okay hi hello hey sir madam just right
    away por favor porfavor gracias ya ahora mismo hola senor senora senorita the
    """.split()
)
_STOP = frozenset(
    """
    stop stopall stopp end cancel unsubscribe quit revoke optout enough
    parar pare paren para alto cancelar cancele cancelen baja basta detener detenga terminar
    desuscribir desuscribirme
    """.split()
)
_HELP = frozenset("help info information ayuda informacion".split())
_START = frozenset("start unstop subscribe resume comenzar empezar iniciar reanudar continuar".split())
_YES = frozenset("yes y yeah yep yup si s".split())
_NO = frozenset("no n nope nah".split())
_WHOLE = {
    Meaning.STOP: (
        "stop all|all stop|opt out|opt me out|no more|no mas|ya no mas|ya no|stop it|stop this|stop them"
        "|stop that|dar de baja|darme de baja|para ya|leave me alone|un subscribe|fin"
    ).split("|"),
    Meaning.HELP: (
        "who is this|who are you|who is it|whos this|quien es|quien es usted|quienes son|quien eres"
        "|quien habla|mas informacion|more info|more information"
    ).split("|"),
}
"""Whole texts of more than one word, as `_words` gives them."""

# --- sentences ----------------------------------------------------------------------------------------------

_NOUN = (
    r"(?:texts?|texting|txts?|messages?|msgs?|sms|reminders?|notes?|notifications?|alerts?|contact|spam"
    r"|mensajes?|mensajitos?|textos?|recordatorios?|avisos?|notificaciones?|notas?)"
)
_SMALL = (
    r"(?:any|more|anymore|all|these|those|this|that|the|your|ur|so|many|such|of|further|other|a|me|us|my|phone"
    r"|mas|los|las|estos|estas|esos|esas|sus|tus|todos|todas|tantos|un|una|otro|otros|este|ese|nada|me|nos|a)"
)
_NOT = (
    r"(?:do not|dont|don t|does not|doesnt|doesn t|did not|didnt|never|not|will not|wont|won t|cannot|can not"
    r"|cant|can t|would not|wouldnt|should not|shouldnt|isnt|is not|hasnt|havent)"
)
_STOPPING = r"(?:stop|stopp?ing|quit|end|cancel|unsubscribe|opt|remove|cease)"
_PARAR = (
    r"(?:pares?|paren|parar|para|dej(?:es?|en|ar|a)|cancel(?:es?|en|ar|a)|deteng(?:as?|an)|detener|termin(?:es?|en|ar)"
    r"|quit(?:es?|en|ar)|borr(?:es?|en|ar)|elimin(?:es?|en|ar))"
)
_DENIED = re.compile(
    rf"\b{_NOT}(?: (?:want|wish|like|mean|need|have))?(?: (?:you|u|me|them|it|this))?(?: to)?"
    rf"(?: (?:ever|please|just|be|get))* {_STOPPING}\w*"
    rf"|\b{_NOT} (?:want|wish|like|need)(?: \w+){{1,4}} to (?:stop|end)\b"
    rf"|\b(?:no|nunca|jamas)(?: (?:me|nos|lo|la|se|quiero|deseo|que|los|les|vayan|vaya|a))* {_PARAR}\b"
    rf"|\b(?:no|nunca|jamas)(?: (?:me|nos|quiero|deseo|que))* (?:darme|den|de|dar) de baja"
)
"""A stop that is denied; what stands there is left out before sentences are looked for."""
_COMPLAINT = re.compile(
    rf"\b(?:you|u|they|ustedes) {_NOT} (?:ever )?stop (?:texting|messaging|sending|contacting|writing|bothering)"
    r"|\b(?:asked|told|ask|telling|asking|want|need|wish|like) (?:you|u|them|this|these|it|all|the texts)"
    r"(?: \w+)? to stop\b"
    r"|\b(?:why|will|would|could|can|cant|wont|dont) (?:dont |wont |cant )?(?:you|u)(?: \w+)? stop"
    r" (?:texting|messaging|sending|contacting|writing|bothering|with)"
)
_SENTENCES = re.compile(
    "|".join(
        [
            # stop texting me; quit sending these
            r"\b(?:stop|quit|cease) (?:texting|messaging|contacting|writing|bothering|bugging|harassing|spamming"
            r"|calling|emailing|pestering|notifying|reminding)\b",
            rf"\b(?:stop|quit|cease) sending(?: {_SMALL})*(?: {_NOUN}| stuff| things| it)?$",
            rf"\b(?:stop|quit|cease) sending(?: {_SMALL})* {_NOUN}\b",
            rf"\b(?:stop|end|cancel|quit|block|discontinue)(?: {_SMALL})* {_NOUN}\b",
            rf"\b(?:please|pls|plz|just|now) stop(?: {_SMALL})*$",
            r"^(?:yes |no |ok )?stop(?:all)? (?:i|im|we|thank|thanks|please|not|dont|do|you|no|already|now)\b",
            r"^(?:yes |no )?stop(?:all)?$",
            # no more texts; do not text me; I do not want your messages
            rf"\bno (?:more|further)(?: {_SMALL})* {_NOUN}\b",
            rf"\b(?:do not|dont|don t|never|not) (?:ever )?(?:text|message|msg|sms|contact|bother|write|remind)"
            r"(?: to)?(?: (?:me|us|here|this|my|anymore|again|back|at|at all))*\b",
            rf"\b(?:do not|dont|don t|never|not to) (?:ever )?send(?: {_SMALL})* {_NOUN}\b",
            r"\b(?:do not|dont|don t) (?:ever )?send (?:me )?(?:anything|any ?more|these|this)$",
            r"\b(?:do not|dont|don t|no longer|never) (?:want|wish|need|like|care)(?: (?:to|for))?"
            r"(?: (?:get|getting|receive|receiving|have|see|be sent))?"
            rf"(?: {_SMALL})* {_NOUN}\b",
            r"\b(?:do not|dont|don t|no longer|never)(?: (?:want|wish|like))? to (?:be (?:texted|messaged|contacted"
            r"|reminded)|hear from (?:you|u))\b",
            # unsubscribe, opt out, lists
            r"\b(?:unsubscribe|optout|opt(?: me)? out|opting out)\b",
            r"\b(?:take|remove|delete|drop|get) (?:me|us|my (?:phone )?number|this (?:phone )?number|my name)"
            r"(?: (?:from|off|out)| please|$)",
            r"\b(?:remove|delete|lose|block) (?:my|this) (?:phone )?number\b",
            r"\bleave me alone\b|\brevoke (?:my )?consent\b|\bwithdraw (?:my )?consent\b",
            r"\bwrong (?:number|person)\b",
            # Spanish
            r"\b(?:dej(?:e|en|a|ar)|par(?:e|en|a|ar)|basta) de (?:escribir|mandar|enviar|molestar|contactar|llamar"
            r"|textear|mensajear|fastidiar|recordar)(?:me|nos|le)?\b",
            rf"\b(?:dej(?:e|en|a|ar)|par(?:e|en|a|ar)|deteng(?:a|an)|detener|suspend(?:a|an|er)|cancel(?:e|en|a|ar)"
            rf"|alto|basta|termin(?:e|en|ar)|quit(?:e|en|ar))(?: (?:con|de|a|ya))*(?: {_SMALL})* {_NOUN}\b",
            r"\bno (?:me|nos) (?:vuelv(?:a|an|as) a )?(?:escrib(?:a|an|as|ir)|molest(?:e|en|es|ar)"
            r"|contact(?:e|en|es|ar)|text(?:ee|een|ees|ear)|mensaje(?:e|en|es|ar))\b",
            rf"\bno (?:me|nos) (?:vuelv(?:a|an|as) a )?(?:mand|envi)(?:e|en|es|ar)(?: {_SMALL})* {_NOUN}\b",
            r"\bno (?:me|nos) (?:vuelv(?:a|an|as) a )?(?:mand|envi)(?:e|en|es|ar)(?: (?:nada|mas|ya|por favor))*$",
            r"\b(?:no|tampoco) (?:quiero|deseo|necesito|queremos)(?: (?:recibir|mas|ver|tener))*"
            rf"(?: {_SMALL})* {_NOUN}\b",
            r"\bno (?:quiero|deseo|queremos) que (?:me|nos) (?:escrib|mand|envi|molest|contact|text|recuerd)\w*",
            rf"\b(?:no|ni) (?:mas|un)(?: {_SMALL})* {_NOUN}\b",
            r"\b(?:dar|darme|darnos|deme|denme|doy|causar) (?:de )?baja\b",
            r"\b(?:quit|sac|borr|elimin)(?:e|en)(?:me|nos)\b|\b(?:quit|borr|elimin)(?:e|en|ar) mi (?:numero|telefono)\b",
            r"\bdej(?:e|en|a)(?:me|nos) en paz\b|\bdej(?:e|en|a)me tranquil[oa]\b",
            r"\bnumero equivocado\b|\bpersona equivocada\b|\bse equivoco de numero\b",
        ]
    )
)


def read(body: str) -> Reading:
    """What a text means; `body` as it came, of any length and content."""
    words = _words(body)
    text = " ".join(words)
    core = [word for word in words if word not in _POLITE]
    for said in (text, " ".join(core)):
        for meaning, wholes in _WHOLE.items():
            if said in wholes:
                return Reading(meaning, is_keyword=True)
    alone = _alone(core)
    if alone is not None:
        return Reading(alone, is_keyword=True)
    if _asks_to_stop(text):
        return Reading(Meaning.STOP, is_keyword=False)
    return Reading(Meaning.OTHER, is_keyword=False)


def _alone(core: list[str]) -> Meaning | None:
    """The meaning of a text whose words all say the same, politeness aside."""
    for meaning, known in (
        (Meaning.STOP, _STOP),
        (Meaning.HELP, _HELP),
        (Meaning.START, _START),
        (Meaning.YES, _YES),
        (Meaning.NO, _NO),
    ):
        if core and known.issuperset(core):
            return meaning
    return Meaning.STOP if core and _STOP.intersection(core) and _STOP | _HELP >= set(core) else None


def _asks_to_stop(text: str) -> bool:
    """Whether a sentence asks not to be written to any more; a stop that is denied asks for nothing."""
    if _COMPLAINT.search(text):
        return True
    return bool(_SENTENCES.search(_DENIED.sub(" denied ", text)))


def _words(body: str) -> list[str]:
    """The words of a text: lower case, without accents, apostrophes and punctuation; "s t o p" is one word."""
    spread = unicodedata.normalize("NFKD", body[:LONGEST_READ].casefold())
    plain = "".join(letter for letter in spread if not unicodedata.combining(letter))
    joined = re.sub(r"['’‘`´ʼ\u200b-\u200f\u2060\ufeff]", "", plain)
    words = re.findall(r"[^\W_]+", joined)
    if len(words) > 2 and all(len(word) == 1 for word in words):
        return ["".join(words)]
    return words
