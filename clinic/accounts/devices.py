"""What a browser says of itself, in words: `Firefox on Windows`.

Browsers send a line of names that has grown for thirty years ("User-Agent", RFC 9110, 10.1.5), in which
nearly all of them also claim to be others. Only the name that is a browser's own is read, and what it runs
on. It is a help for the eye, never evidence: whoever sends a request writes that line as they like.
"""

BROWSERS = (
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("Firefox/", "Firefox"),
    ("FxiOS/", "Firefox"),
    ("Chromium/", "Chromium"),
    ("CriOS/", "Chrome"),
    ("Chrome/", "Chrome"),
    ("Safari/", "Safari"),
)
"""What stands in the line, and the name; those that also claim to be a later one come first."""
SYSTEMS = (
    ("iPhone", "an iPhone"),
    ("iPad", "an iPad"),
    ("Android", "Android"),
    ("CrOS", "ChromeOS"),
    ("Windows", "Windows"),
    ("Macintosh", "a Mac"),
    ("Linux", "Linux"),
)


def device_words(line: str) -> str:
    """The browser and what it runs on; of an unknown one what is known, and the most that can be said else.

    >>> device_words("Mozilla/5.0 (X11; Linux x86_64; rv:128.0) Gecko/20100101 Firefox/128.0")
    'Firefox on Linux'
    >>> device_words("Mozilla/5.0 (Windows NT 10.0) AppleWebKit/537.36 Chrome/120.0 Safari/537.36 Edg/120.0")
    'Edge on Windows'
    >>> device_words("a program of our own"), device_words("")
    ('a browser we do not know', 'not said')
    """
    if not line:
        return "not said"
    browser = next((name for sign, name in BROWSERS if sign in line), "a browser we do not know")
    system = next((name for sign, name in SYSTEMS if sign in line), "")
    return f"{browser} on {system}" if system else browser
