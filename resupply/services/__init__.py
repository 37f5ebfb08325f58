"""Writes: one English verb per function. The only place with `transaction.atomic`."""
