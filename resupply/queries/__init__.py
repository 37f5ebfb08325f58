"""Reads: querysets, rows of pages, and the facts that the rules need."""
