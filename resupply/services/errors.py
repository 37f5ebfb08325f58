"""How a service says no: nothing is written, and the message tells a person what to do about it."""


class Refused(Exception):  # noqa: N818 - "raise Refused" reads as what happens
    """A write that was not made.

    `code` is stable (for tests and other programs), `message` is a sentence for the person at the keyboard
    that says what to do, `field` names the input at fault (None: no single one). Rows of a list count from 0
    in `row`. It holds no patient data beyond what that person typed.
    """

    def __init__(self, code: str, message: str, field: str | None = None, *, row: int | None = None) -> None:
        super().__init__(message)
        self.code = code
        self.message = message
        self.field = field
        self.row = row

    def __repr__(self) -> str:
        return f"Refused({self.code!r}, field={self.field!r}, row={self.row!r})"
