"""Evidence packets: the records behind one, the document they make, and whether records were changed since.

`gather` the records as known · `document` what a packet says · `rules_in_force` versions with their sources
· `dates` the dates of each line with their steps · `use` first months of use · `trail` change history ·
`compare` what differs from a packet · `listed` the packets that were made
"""

from resupply.queries.packets.compare import Difference, differences, touched_since
from resupply.queries.packets.document import FORMAT, Json, Names, canonical, document
from resupply.queries.packets.gather import TRACKED, Kept, Records, gather, keep
from resupply.queries.packets.listed import dispenses_on, packets_of, recent_packets

__all__ = [
    "FORMAT",
    "TRACKED",
    "Difference",
    "Json",
    "Kept",
    "Names",
    "Records",
    "canonical",
    "differences",
    "dispenses_on",
    "document",
    "gather",
    "keep",
    "packets_of",
    "recent_packets",
    "touched_since",
]
