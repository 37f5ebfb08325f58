"""What signed in, in words: a phone, a tablet or a computer.

Browsers send a line about themselves ("User-Agent", RFC 9110, 10.1.5), in which nearly all claim to be
others; makers' names in it say little, and none is shown. By common practice a phone says `Mobi` in it, a
tablet `Tablet`, and every browser begins with `Mozilla/`. It is a help for the eye, never evidence: whoever
sends a request writes that line as they like. The line itself stays at hand.
"""

SIGNS = (("Tablet", "a tablet"), ("Mobi", "a phone"))


def device_words(line: str) -> str:
    """What sent a request with this line.

    >>> device_words("Mozilla/5.0 (X11; rv:1.0) Engine/1.0"), device_words("Mozilla/5.0 (Mobile) Engine/1.0")
    ('a computer', 'a phone')
    >>> device_words("a program of our own"), device_words("")
    ('a program', 'not said')
    """
    if not line.startswith("Mozilla/"):
        return "a program" if line else "not said"
    return next((words for sign, words in SIGNS if sign in line), "a computer")
