"""The evidence packet on paper: its document (`queries.packets`) as PDF, the same document the same bytes."""

from resupply.delivery.packets.paper import packet_pdf

__all__ = ["packet_pdf"]
