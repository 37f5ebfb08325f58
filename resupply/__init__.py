"""Evenkeep: PAP patients kept in working, clean equipment."""
