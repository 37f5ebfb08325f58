"""What browsers say of themselves, in words. The lines follow the form of RFC 9110, 10.1.5."""

import pytest

from clinic.accounts.devices import device_words

CLAIMS = "AppleWebKit/537.36 (KHTML, like Gecko)"


@pytest.mark.parametrize(
    ("line", "words"),
    [
        (f"Mozilla/5.0 (X11; Linux x86_64) {CLAIMS} HeadlessChrome/139.0 Safari/537.36", "Chrome on Linux"),
        (
            f"Mozilla/5.0 (Windows NT 10.0; Win64) {CLAIMS} Chrome/139.0 Safari/537.36 Edg/139.0",
            "Edge on Windows",
        ),
        ("Mozilla/5.0 (Windows NT 10.0; Win64; rv:128.0) Gecko/20100101 Firefox/128.0", "Firefox on Windows"),
        (
            f"Mozilla/5.0 (Linux; Android 14) {CLAIMS} Chrome/139.0 Mobile Safari/537.36",
            "Chrome on Android",
        ),  # says Linux too
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 17_5 like Mac OS X) AppleWebKit/605.1 Safari/604.1",
            "Safari on an iPhone",
        ),
        ("Mozilla/5.0 (Macintosh; Intel Mac OS X 10_15) AppleWebKit/605.1 Safari/605.1", "Safari on a Mac"),
        ("a script on Windows", "a browser we do not know on Windows"),
        ("curious", "a browser we do not know"),
        ("", "not said"),
    ],
)
def test_a_browsers_own_name_and_what_it_runs_on(line: str, words: str) -> None:
    assert device_words(line) == words
