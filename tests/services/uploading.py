"""Lists for tests of uploads: sent as a browser sends them, and looked at as they stand now."""

from clinic.accounts.models import User
from resupply.models import Upload
from resupply.services import uploads
from resupply.services.uploads import Sent
from tests.builders import NOW
from tests.services.importing import DISPENSES, PATIENT

GOOD, BAD = "P1,2026-01-05,A7032,2,,yes,,,,", "P1,2026-02-30,A7032,-1,,yes,'=Aspen,,,"


def csv(name: str, text: str) -> Sent:
    return Sent(f"{name}.csv", text.encode())


def send(by: User, *files: Sent, mail_consent: bool = True) -> Upload:
    return uploads.receive(files, by=by, now=NOW, mail_consent=mail_consent)


def send_good(by: User) -> Upload:
    return send(by, csv("patients", PATIENT), csv("dispenses", f"{DISPENSES}\n{GOOD}\n"))


def send_bad(by: User) -> Upload:
    rows = "\n".join([DISPENSES, GOOD, BAD, GOOD.replace("A7032", "A7038")])
    return send(by, csv("patients", PATIENT), csv("dispenses", f"{rows}\n"))


def now(upload: Upload) -> Upload:
    return Upload.objects.get(pk=upload.pk)


def part(upload: Upload, which: str) -> dict[str, str]:
    return {file.table: bytes(file.content).decode() for file in upload.files.filter(part=which)}
