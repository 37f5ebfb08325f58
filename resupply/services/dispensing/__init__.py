"""Dispenses: parts given to a patient on a date. What takes them back stands in `corrections`.

`lines` what one row says · `known` what stands against rows · `words` how that is said · `record` the write.
"""

from resupply.services.dispensing.known import Known
from resupply.services.dispensing.lines import NewLine
from resupply.services.dispensing.record import record_dispense
from resupply.services.dispensing.words import Stopped

__all__ = ["Known", "NewLine", "Stopped", "record_dispense"]
