"""The manager: who has fallen behind."""
