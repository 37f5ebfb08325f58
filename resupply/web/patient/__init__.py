"""The patient's room: addresses that are secrets in themselves, without sign-in."""
