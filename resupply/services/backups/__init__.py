"""Backups of the whole database: taken while people work, readable with a key only, verified when restored.

`sealed` encryption in chunks · `archive` what is in a file · `database` tables, counters and guards ·
`taking` one snapshot into a file · `restoring` a file into a new database
"""

from resupply.services.backups.restoring import Restored, look_at, restore
from resupply.services.backups.sealed import key_id
from resupply.services.backups.taking import BackedUp, back_up

__all__ = ["BackedUp", "Restored", "back_up", "key_id", "look_at", "restore"]
