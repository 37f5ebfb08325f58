"""What browsers say of themselves, in words. The form is that of RFC 9110, 10.1.5; names are invented."""

import pytest

from clinic.accounts.devices import device_words


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("Mozilla/5.0 (X11; x86_64) Engine/537.36 (like Other) Browser/139.0", "a computer"),
        ("Mozilla/5.0 (System 14; Mobile; rv:128.0) Engine/128.0 Browser/128.0", "a phone"),
        ("Mozilla/5.0 (System 14) Engine/537.36 Browser/139.0 Mobile Other/537.36", "a phone"),
        ("Mozilla/5.0 (System 14; Tablet; rv:128.0) Engine/128.0 Browser/128.0", "a tablet"),
        ("a script that calls itself Mobile", "a program"),
        ("curious", "a program"),
        ("", "not said"),
    ],
)
def test_what_sent_a_request(line: str, words: str) -> None:
    assert device_words(line) == words
