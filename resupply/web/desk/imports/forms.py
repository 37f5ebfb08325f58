"""What is asked when a list is sent, mended or undone."""

from collections.abc import Sequence
from typing import Any

from django import forms
from django.core.files.uploadedfile import UploadedFile

from resupply.services.uploads import MOST_BYTES, Sent


class FilesInput(forms.ClearableFileInput):
    """The browser's own file field, for several files at once."""

    allow_multiple_selected = True


class FilesField(forms.FileField):
    """Several files; how many and which is for the service to say."""

    def __init__(self, **over: Any) -> None:
        widget = FilesInput({"accept": ".csv,.xlsx"})
        super().__init__(widget=widget, allow_empty_file=True, max_length=120, **over)

    def clean(self, data: Any, initial: Any = None) -> "list[UploadedFile[bytes]]":
        """The files as they were sent."""
        listed = data if isinstance(data, list | tuple) else [data]
        return [super(FilesField, self).clean(one, initial) for one in listed]


class FilesForm(forms.Form):
    """Files to read."""

    sent = FilesField(
        label="Files",
        help_text="CSV files named after their tables, all at once, or one .xlsx with a sheet for each.",
    )

    def as_sent(self) -> Sequence[Sent]:
        """The files with their bytes."""
        return [Sent(file.name or "", file.read()) for file in self.cleaned_data["sent"]]

    def is_too_big(self, content_length: str) -> bool:
        """Whether the request was so long that its files were not read at all; says so at the field."""
        if not content_length.isdecimal() or int(content_length) <= MOST_BYTES + 64 * 1024:
            return False
        self.errors.clear()
        most = MOST_BYTES // 1024 // 1024
        self.add_error("sent", f"Files may have {most} MB together. Divide the list.")
        return True


class UploadForm(FilesForm):
    """A list to bring along."""

    mail_consent = forms.BooleanField(
        label="An e-mail address in the list is the patient's yes to reminders by e-mail",
        help_text="Untick it where the clinic never asked. A no that is on record here is never overruled.",
        initial=True,
        required=False,
    )


class MendForm(FilesForm):
    """Rows that were handed back, mended."""


class UndoForm(forms.Form):
    """Why an import is undone."""

    reason = forms.CharField(
        label="Reason",
        max_length=300,
        help_text="It stays on record with the import.",
        widget=forms.TextInput({"autocomplete": "off"}),
    )
